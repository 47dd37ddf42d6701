#!/usr/bin/python3
"""proto/PROTOCOL.md says what the server does.

    check_protocol_doc.py SOURCE-DIR BUILD-DIR           exit 1 when the reference part is not what the tables say, or
                                                         when an example in hex is not what stands beside it
    check_protocol_doc.py SOURCE-DIR BUILD-DIR --write   puts the generated reference part into the document
"""
import ast
import difflib
import re
import subprocess
import sys
from pathlib import Path

import msgpack

BEGIN, END = "<!-- reference: begin -->\n", "<!-- reference: end -->\n"


def examples(text):
    """(hex, value) of each pair of a ```hex block and the ```json block that follows it."""
    for found in re.finditer(r"```hex\n(.*?)```\n+(?:[^\n`]+\n+)*```json\n(.*?)```", text, re.S):
        plain = re.sub(r"#[^\n]*", "", found.group(1))
        literal = found.group(2)
        for json_word, python_word in (("true", "True"), ("false", "False"), ("null", "None")):
            literal = re.sub(rf"\b{json_word}\b", python_word, literal)
        yield bytes.fromhex(re.sub(r"\s", "", plain)), ast.literal_eval(literal)


def check_examples(text, driver):
    wrong, seen = [], 0
    for data, value in examples(text):
        seen += 1
        if msgpack.unpackb(data) != value:
            wrong.append(f"an example in hex is {msgpack.unpackb(data)}, and the text beside it says {value}")
        if data[0] == 0x92:  # canonical bytes: read and written again by the server's own code
            run = subprocess.run([driver], input=f"kept {data.hex()}\n", capture_output=True, text=True, check=True)
            if run.stdout.strip() != "ok " + data.hex():
                wrong.append(f"the canonical example is not canonical: {run.stdout.strip()}")
    if seen < 4:
        wrong.append(f"only {seen} examples in hex were found")
    return wrong


def check_names(prose, driver):
    """Every method, kind or error that the prose names in code marks exists: names with a dot or known forms."""
    run = subprocess.run([driver], input="kinds\n", capture_output=True, text=True, check=True)
    tables = msgpack.unpackb(bytes.fromhex(run.stdout.strip()))
    kinds = {k["name"] for k in tables["kinds"]}
    named = set(re.findall(r"`([a-z-]+\.[a-z-]+)`", prose)) - {"proto.md"}
    return [f"the text names {name}, which is no kind of event" for name in sorted(named - kinds)]


def main():
    source, build = Path(sys.argv[1]), Path(sys.argv[2])
    document = source / "proto" / "PROTOCOL.md"
    text = document.read_text()
    made = subprocess.run([build / "bin" / "protocol_reference"], capture_output=True, text=True, check=True).stdout
    if text.count(BEGIN) != 1 or text.count(END) != 1:
        print(f"{document.name} must hold each marker of the reference part once")
        return 1
    head, rest = text.split(BEGIN)
    held, tail = rest.split(END)
    if sys.argv[3:] == ["--write"]:
        document.write_text(head + BEGIN + made + END + tail)
        return 0
    wrong = check_examples(head + tail, build / "tests" / "proto_driver")
    wrong += check_names(head + tail, build / "tests" / "proto_driver")
    if held != made:
        wrong.append("the reference part is not current; this writes it: "
                     "tests/wire/check_protocol_doc.py SOURCE-DIR BUILD-DIR --write")
        wrong += list(difflib.unified_diff(held.split("\n"), made.split("\n"), "document", "tables", lineterm="", n=0))[:40]
    print("\n".join(wrong) if wrong else "PROTOCOL.md is current")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
