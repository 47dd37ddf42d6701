#!/usr/bin/python3
"""The digests of a store's records, worked out again with Python's SHA-256 and Python's numbers from the events it holds.

    check_digest.py SOURCE-DIR BUILD-DIR

The layout of a row stands in daemon/work/digest.h: 01, u32 count, the sum modulo 2^256 of SHA-256(id || SHA-256(body)). The
record that an event is counted to is read from its bytes: MessagePack, an array of the content and the stamps.
"""
import hashlib
import subprocess
import sys
from pathlib import Path

import msgpack

COMMON = ("policy.adopted", "lot.recalled", "patient.erased")


def sha256(data):
    return hashlib.sha256(data).digest()


def parse(line):
    name, *fields = line.split()
    return name, {key: bytes.fromhex(value) for key, value in (field.split("=", 1) for field in fields)}


def record_of(body):
    content, _stamps = msgpack.unpackb(body)
    if content["kind"] in COMMON or "patient" not in content:
        return bytes(16)
    return bytes.fromhex(content["patient"].replace("-", ""))


def check(lines):
    """Numbers of events and rows; a breach is an AssertionError."""
    sums, rows, events = {}, {}, 0
    for line in lines:
        name, fields = parse(line)
        if name == "event":
            record = record_of(fields["body"])
            count, total = sums.get(record, (0, 0))
            term = int.from_bytes(sha256(fields["id"] + sha256(fields["body"])), "big")
            sums[record] = (count + 1, (total + term) % 2 ** 256)
            events += 1
        else:
            rows[fields["record"]] = fields["value"]
    wanted = {record: b"\x01" + count.to_bytes(4, "big") + total.to_bytes(32, "big")
              for record, (count, total) in sums.items()}
    assert rows == wanted, "the rows are not what the events make"
    return events, len(rows)


def must_fail(lines):
    try:
        check(lines)
    except AssertionError:
        return
    sys.exit("a changed dump passed the check")


def main():
    program = Path(sys.argv[2]) / "tests" / "test_work_digest"
    dump = subprocess.run([program, "--dump"], check=True, capture_output=True, text=True, timeout=120)
    lines = dump.stdout.splitlines()
    events, rows = check(lines)
    if events != 68 or rows != 3:
        sys.exit(f"{events} events and {rows} rows, not 68 and 3")
    must_fail(lines[1:])
    must_fail(lines[:-1])
    must_fail(lines[:10] + [lines[10].replace("id=01", "id=02")] + lines[11:])
    print(f"{events} events, {rows} rows")


main()
