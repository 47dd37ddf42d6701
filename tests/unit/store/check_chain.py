#!/usr/bin/python3
"""The chain of a store's log, worked out again with Python's SHA-256 from what the store says it holds.

    check_chain.py SOURCE-DIR BUILD-DIR

The layout of a header stands in daemon/store/record.c: seq u64, id, received_at i64, via, commitment, all big-endian.
"""
import hashlib
import struct
import subprocess
import sys
import tempfile
from pathlib import Path


def sha256(data):
    return hashlib.sha256(data).digest()


def parse(line):
    name, *fields = line.split()
    return name, dict(field.split("=", 1) for field in fields)


def check(lines):
    """Number of events that were checked; a breach is an AssertionError."""
    name, log = parse(lines[0])
    assert name == "log"
    chain = sha256(b"betony log" + bytes.fromhex(log["identity"]))
    events = 0
    for seq, line in enumerate(lines[1:], 1):
        name, event = parse(line)
        assert name == "event" and int(event["seq"]) == seq, f"seq {seq} is missing"
        commitment = sha256(bytes.fromhex(event["nonce"]) + bytes.fromhex(event["body"]))
        header = (struct.pack(">Q", seq) + bytes.fromhex(event["id"]) + struct.pack(">q", int(event["received_at"]))
                  + bytes.fromhex(event["via"]) + commitment)
        assert len(header) == 80
        chain = sha256(chain + header)
        assert chain.hex() == event["chain"], f"chain differs at seq {seq}"
        events = seq
    assert chain.hex() == log["chain"], "the log's end has another chain hash"
    return events


def must_fail(lines):
    try:
        check(lines)
    except AssertionError:
        return
    sys.exit("a changed dump passed the check")


def main():
    program = Path(sys.argv[2]) / "tests" / "test_store_chain"
    with tempfile.TemporaryDirectory(prefix="betony-store-") as directory:
        dump = subprocess.run([program, "--dump", directory], check=True, capture_output=True, text=True, timeout=120)
    lines = dump.stdout.splitlines()
    events = check(lines)
    if events != 300:
        sys.exit(f"{events} events, not 300")
    must_fail(lines[:100] + lines[101:])
    must_fail(lines[:100] + [lines[101], lines[100]] + lines[102:])
    must_fail(lines[:100] + [lines[100].replace("body=", "body=00")] + lines[101:])
    must_fail(lines[:-1])
    print(f"{events} events, chain ends at {parse(lines[0])[1]['chain'][:16]}")


main()
