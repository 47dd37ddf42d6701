#!/usr/bin/python3
"""The rules of the house that a compiler does not check.

    check_house.py SOURCE-DIR BUILD-DIR   exit 1 when a rule is broken; each breach is one line
    check_house.py --self-test            feeds the checks small broken samples: each must be found

Rules: who may include whom; length of functions and files; what stands at the top level; what the care library asks of
the linker and that it keeps no variables; no words that put work off; no external function that nobody uses.
"""
import fnmatch
import json
import re
import subprocess
import sys
from pathlib import Path

TOP_LEVEL = {"README.md", "DEVELOPERS.md", "LICENSE", "CMakeLists.txt", "daemon", "client", "proto", "tests", "ops"}

# room: rooms whose headers it may include besides its own
KNOWS = {
    "proto": set(),
    "care": {"proto"},
    "store": {"proto"},
    "net": {"proto"},
    "guard": {"store", "proto"},
    "work": {"care", "store", "guard", "proto"},
    "serve": {"net", "work", "store", "care", "guard", "proto"},
    "link": {"net", "work", "store", "care", "guard", "proto"},
    "client": {"proto"},
    "demo": {"proto"},
}
ROOMS = set(KNOWS) - {"demo"}

# foreign header: places in shipped code that may include it
FOREIGN = {
    "lmdb.h": ("daemon/store/",),
    "uv.h": ("daemon/net/", "daemon/main.c"),
    "glib": ("daemon/work/", "daemon/config.c"),
    "msgpack": ("proto/", "daemon/net/", "daemon/serve/", "daemon/link/", "client/"),
    "openssl/": ("proto/", "daemon/store/", "daemon/net/", "daemon/work/", "daemon/guard/", "daemon/link/", "client/"),
    "sodium": ("daemon/guard/",),
    "jansson.h": ("client/cli/",),
}
# care is pure: it has no use for any other header
CARE_SYSTEM = {"assert.h", "inttypes.h", "limits.h", "math.h", "stdalign.h", "stdbool.h", "stddef.h", "stdint.h",
               "stdlib.h", "string.h", "stdnoreturn.h"}

FUNCTION_LINES_MAX = 60
FUNCTION_LINES_USUAL = 40
FUNCTION_USUAL_PERCENT = 90
FILE_LINES_WARN = 600
FILE_LINES_MAX = 900
PUT_OFF = re.compile(r"\b(" + "|".join(("TO" + "DO", "FIX" + "ME", "XX" + "X")) + r")\b")
INCLUDE = re.compile(r'^[ \t]*#[ \t]*include[ \t]*([<"])([^>"]+)[>"]', re.M)


def room_of(path):
    """The room a shipped file belongs to; "" for daemon/*.c, None for files of no room (tests)."""
    parts = path.split("/")
    if parts[0] == "proto":
        return "proto"
    if parts[0] == "client":
        return "client"
    if parts[0] == "daemon":
        return parts[1] if len(parts) > 2 else ""
    if parts[:2] == ["ops", "demo"]:
        return "demo"
    return None


def blank_out(text):
    """The same text with comments, strings and characters blanked; line breaks stay."""
    pattern = re.compile(r'/\*.*?\*/|//[^\n]*|"(?:\\.|[^"\\\n])*"|\'(?:\\.|[^\'\\\n])*\'', re.S)

    def blank(match):
        found = match.group(0)
        keep = found[0] if found[0] in "\"'" else " "
        return keep + re.sub(r"[^\n]", " ", found[1:-1]) + (keep if len(found) > 1 else "")

    return pattern.sub(blank, text)


def code_lines(text):
    return sum(1 for line in blank_out(text).split("\n") if line.strip())


def functions(text):
    """(name, code lines of the body) of each function defined in the text."""
    code = blank_out(text)
    # directives with their continued lines are not code that a brace counts in
    code = re.sub(r"^[ \t]*#(?:[^\n\\]|\\.|\\\n)*", lambda m: "\n" * m.group(0).count("\n"), code, flags=re.M)
    found, depth, head, start, name = [], 0, 0, 0, None
    for position, char in enumerate(code):
        if char == "{":
            if depth == 0:
                before = code[head:position]
                signature = re.search(r"(\w+)\s*\((?:[^;{}]*)\)\s*(?:__attribute__\s*\(\(.*\)\)\s*)?$", before, re.S)
                name = signature.group(1) if signature and "=" not in before else None
                start = position
            depth += 1
        elif char == "}":
            depth = max(0, depth - 1)
            if depth == 0:
                if name:
                    body = code[start + 1:position]
                    found.append((name, sum(1 for line in body.split("\n") if line.strip())))
                head = position + 1
        elif char == ";" and depth == 0:
            head = position + 1
    return found


def is_table(path):
    return re.search(r"_table\.[ch]$", path) is not None


def check_includes(path, text):
    """Breaches of the one-way doors in one file."""
    room = room_of(path)
    breaches = []
    if room is None:
        return breaches
    for kind, header in INCLUDE.findall(text):
        first = header.split("/")[0]
        if kind == '"':
            if ".." in header.split("/"):
                breaches.append(f"{path}: includes \"{header}\" by a path that climbs")
            elif "/" in header and first in ROOMS and first != room:
                if room != "" and first not in KNOWS.get(room, set()):
                    breaches.append(f"{path}: {room} may not know {first} (\"{header}\")")
                if room == "" and first == "client":
                    breaches.append(f"{path}: the daemon may not know the client (\"{header}\")")
        for foreign, places in FOREIGN.items():
            if header.startswith(foreign) and not path.startswith(places):
                breaches.append(f"{path}: <{header}> belongs in {', '.join(places)} only")
        if kind == "<" and room == "care" and header not in CARE_SYSTEM:
            breaches.append(f"{path}: care is pure and may not include <{header}>")
    return breaches


def check_lengths(texts):
    """texts: path -> text of shipped sources. (breaches, warnings)"""
    breaches, warnings, lengths = [], [], []
    for path, text in sorted(texts.items()):
        if is_table(path):
            continue
        total = code_lines(text)
        if total > FILE_LINES_MAX:
            breaches.append(f"{path}: {total} code lines, more than {FILE_LINES_MAX}")
        elif total > FILE_LINES_WARN:
            warnings.append(f"{path}: {total} code lines, more than {FILE_LINES_WARN}")
        for name, lines in functions(text):
            lengths.append(lines)
            if lines > FUNCTION_LINES_MAX:
                breaches.append(f"{path}: {name} has {lines} code lines, more than {FUNCTION_LINES_MAX}")
    if lengths:
        short = sum(1 for n in lengths if n <= FUNCTION_LINES_USUAL)
        if short * 100 < len(lengths) * FUNCTION_USUAL_PERCENT:
            breaches.append(f"only {short} of {len(lengths)} functions have {FUNCTION_LINES_USUAL} code lines or fewer")
        median = sorted(lengths)[len(lengths) // 2]
        warnings.append(f"{len(lengths)} functions, median {median} code lines, longest {max(lengths)}, "
                        f"{100 * short // len(lengths)} % with {FUNCTION_LINES_USUAL} or fewer")
    return breaches, warnings


def check_top_level(files):
    top = {path.split("/")[0] for path in files}
    breaches = [f"{name} is missing at the top level" for name in sorted(TOP_LEVEL - top)]
    return breaches + [f"{name} does not belong at the top level" for name in sorted(top - TOP_LEVEL)
                       if not name.startswith(".")]


def check_words(path, text):
    return [f"{path}:{number}: puts work off: {line.strip()[:80]}"
            for number, line in enumerate(text.split("\n"), 1) if PUT_OFF.search(line)]


def check_symbols(undefined, defined, patterns):
    return [f"the care library asks the linker for {name}, which tests/tidy/care_symbols.txt does not allow"
            for name in sorted(undefined - defined) if not any(fnmatch.fnmatchcase(name, p) for p in patterns)]


def check_unused(defined, shipped, tested):
    """defined: name -> source. (breaches, warnings)"""
    breaches = [f"{source}: {name} is used by nobody" for name, source in sorted(defined.items())
                if name not in shipped | tested]
    only = sorted(name for name in defined if name in tested - shipped)
    return breaches, [f"used by tests only: {' '.join(only)}"] if only else []


# ---- reading the tree and the objects --------------------------------------------------------------------------------

def run(*command):
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def care_library(build):
    """(undefined, defined, sections with variables) of the care library."""
    library = build / "lib" / "libbetony_care.a"
    undefined, defined, variables = set(), set(), []
    for line in run("nm", "-P", str(library)).split("\n"):
        fields = line.split()
        if len(fields) >= 2:
            (undefined if fields[1] in "Uw" else defined).add(fields[0])
    for line in run("size", "-A", str(library)).split("\n"):
        fields = line.split()
        if len(fields) == 3 and re.match(r"\.t?(data|bss)(\.|$)", fields[0]) and ".rel.ro" not in fields[0]:
            if int(fields[1]):
                variables.append(f"the care library keeps {fields[1]} bytes of variables in {fields[0]}")
    return undefined, defined, variables


def objects(source, build):
    """(path of the source, object) of everything this build compiles."""
    for entry in json.loads((build / "compile_commands.json").read_text()):
        path = Path(entry["file"])
        made = Path(entry["directory"]) / re.search(r" -o (\S+)", entry["command"]).group(1)
        if path.exists() and made.exists() and path.is_relative_to(source):
            yield path.relative_to(source).as_posix(), made


def references(source, build):
    """(external functions of the house, names shipped code refers to, names tests refer to)"""
    defined, shipped, tested = {}, set(), set()
    for path, made in objects(source, build):
        names = set(re.findall(r"R_\w+\s+[0-9a-f]+\s+([A-Za-z_]\w*)", run("readelf", "-rW", str(made))))
        (tested if path.startswith("tests/") else shipped).update(names)
        if path.startswith(("daemon/", "client/cli/", "proto/")):
            for line in run("nm", "-P", "--defined-only", "--extern-only", str(made)).split("\n"):
                fields = line.split()
                if len(fields) >= 2 and fields[1] == "T" and fields[0] != "main":
                    defined[fields[0]] = path
    return defined, shipped, tested


def tracked(source):
    listed = run("git", "-c", "safe.directory=*", "-C", str(source), "ls-files", "--cached", "--others",
                 "--exclude-standard")
    return sorted({path for path in listed.split("\n") if path and (source / path).is_file()})


def check_tree(source, build):
    files = tracked(source)
    breaches, warnings, shipped = check_top_level(files), [], {}
    for path in files:
        try:
            text = (source / path).read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue  # golden files
        if path != "LICENSE":
            breaches += check_words(path, text)
        if path.endswith((".c", ".h")):
            breaches += check_includes(path, text)
            if room_of(path) is not None:
                shipped[path] = text
    for found, notes in (check_lengths(shipped), check_unused(*references(source, build))):
        breaches += found
        warnings += notes
    allowed = [line.split("#")[0].strip() for line in
               (Path(__file__).parent / "care_symbols.txt").read_text().split("\n")]
    undefined, defined, variables = care_library(build)
    return breaches + check_symbols(undefined, defined, [p for p in allowed if p]) + variables, warnings


# ---- the checks themselves are checked -------------------------------------------------------------------------------

def self_test():
    body = lambda n: "int f(int a)\n{\n" + "    a++;\n\n    /* why */\n" * n + "}\n"
    texts = lambda n: {"daemon/care/a.c": body(n)}
    samples = [
        ("care may not know store", check_includes("daemon/care/a.c", '#include "store/b.h"\n')),
        ("store may not know care", check_includes("daemon/store/a.c", '# include "care/b.h"\n')),
        ("proto knows nobody", check_includes("proto/a.c", '#include "net/b.h"\n')),
        ("main may not know the client", check_includes("daemon/main.c", '#include "client/lib/b.h"\n')),
        ("no climbing", check_includes("client/cli/a.c", '#include "../lib/b.h"\n')),
        ("lmdb in work", check_includes("daemon/work/a.c", "#include <lmdb.h>\n")),
        ("uv in serve", check_includes("daemon/serve/a.c", "#include <uv.h>\n")),
        ("glib in proto", check_includes("proto/a.c", "#include <glib.h>\n")),
        ("clock in care", check_includes("daemon/care/a.c", "#include <time.h>\n")),
        ("61 lines", check_lengths({"proto/a.c": body(61) + body(1) * 10})[0]),
        ("41 lines in the only function", check_lengths(texts(41))[0]),
        ("901 lines", check_lengths({"proto/a.c": "int a;\n" * 901})[0]),
        ("stray file", check_top_level(list(TOP_LEVEL) + ["notes.txt"])),
        ("missing file", check_top_level(sorted(TOP_LEVEL)[1:])),
        ("words", check_words("a.c", "/* TO" + "DO: later */")),
        ("clock by the linker", check_symbols({"time", "memcpy"}, set(), ["mem*"])),
        ("unused", check_unused({"care_a": "a.c"}, {"care_b"}, set())[0]),
    ]
    innocent = [
        ("work knows care", check_includes("daemon/work/a.c", '#include "care/b.h"\n#include "a.h"\n')),
        ("main knows all", check_includes("daemon/main.c", '#include "serve/b.h"\n#include <uv.h>\n')),
        ("tests are free", check_includes("tests/unit/store/a_test.c", "#include <lmdb.h>\n")),
        ("40 lines", check_lengths(texts(40))[0]),
        ("a long table", check_lengths({"proto/a_table.c": "int a;\n" * 901})[0]),
        ("an initialiser is no function", check_lengths({"proto/a.c": "int a[] = {\n" + "f(1),\n" * 70 + "};\n"})[0]),
        ("a macro is no function", check_lengths({"proto/a.c": "#define F(x) { \\\n" + "x; \\\n" * 70 + "}\n"})[0]),
        ("a template name", check_words("a.c", '"/tmp/a.' + "X" * 6 + '"')),
        ("allowed symbol", check_symbols({"proto_x"}, set(), ["proto_*"])),
        ("used by a test", check_unused({"care_a": "a.c"}, set(), {"care_a"})[0]),
    ]
    missed = [name for name, found in samples if len(found) != 1] + [name for name, found in innocent if found]
    print(f"{len(samples) + len(innocent)} samples, {len(missed)} judged wrongly", *missed, sep="\n")
    return 1 if missed else 0


def main(arguments):
    if arguments == ["--self-test"]:
        return self_test()
    if len(arguments) != 2:
        print(__doc__, file=sys.stderr)
        return 64
    breaches, warnings = check_tree(Path(arguments[0]).resolve(), Path(arguments[1]).resolve())
    for line in warnings:
        print("note:", line)
    for line in breaches:
        print(line)
    print(f"{len(breaches)} breaches of the house rules")
    return 1 if breaches else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
