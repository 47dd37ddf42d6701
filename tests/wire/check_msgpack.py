#!/usr/bin/python3
"""MessagePack, canonical events and the answer of `kinds` against implementations that nobody here wrote.

    check_msgpack.py SOURCE-DIR BUILD-DIR

Oracles: python3-msgpack, and the npm package msgpack-test-suite 1.0.0 (85 cases), which is installed into the build
directory when it is not there yet. Every difference is one line; exit 1 when there is one.
"""
import datetime
import json
import math
import random
import struct
import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import msgpack

SUITE, SUITE_VERSION, SUITE_CASES = "msgpack-test-suite", "1.0.0", 85
EPOCH = datetime.date(1970, 1, 1)
failures = []
checked = 0


def expect(what, got, wanted):
    global checked
    checked += 1
    if got != wanted and len(failures) < 20:
        failures.append(f"{what}: got {str(got)[:300]}, expected {str(wanted)[:300]}")


def ask(driver, lines):
    """One answer for each line."""
    run = subprocess.run([driver], input="\n".join(lines) + "\n", capture_output=True, text=True, check=True, timeout=300)
    answers = run.stdout.split("\n")[:-1]
    if len(answers) != len(lines):
        sys.exit(f"the driver answered {len(answers)} of {len(lines)} lines")
    return answers


def hexed(data):
    return data.hex() or "-"


def unhexed(text):
    return b"" if text == "-" else bytes.fromhex(text)


# ---- the writer against python3-msgpack ------------------------------------------------------------------------------

def check_writer(driver, rng):
    lines, wanted = ["nil", "true", "false"], [None, True, False]
    numbers = {0} | {sign * (1 << bits) + off for bits in range(63) for sign in (1, -1) for off in (-1, 0, 1)}
    numbers |= {rng.randrange(-(1 << 63), 1 << 63) for _ in range(2000)} | {-(1 << 63), (1 << 63) - 1}
    for n in sorted(numbers):
        lines.append(f"int {n}")
        wanted.append(n)
    for _ in range(2000):
        bits = rng.getrandbits(64)
        lines.append(f"float {bits:016x}")
        wanted.append(struct.unpack(">d", bits.to_bytes(8, "big"))[0])
    for size in [*range(40), 255, 256, 257, 65535, 65536, 100000]:
        text = "".join(rng.choice("aéẞ€🍀z") for _ in range(size))
        text = text.encode()[:size].decode(errors="ignore").ljust(1 if size else 0)
        lines.append(f"text {hexed(text.encode())}")
        wanted.append(text)
        data = rng.randbytes(size)
        lines.append(f"bin {hexed(data)}")
        wanted.append(data)
    for day in [*rng.sample(range(-25567, 47483), 500), -25567, 0, 47482]:
        lines.append(f"date {day}")
        wanted.append((EPOCH + datetime.timedelta(days=day)).isoformat())
    for answer, value, line in zip(ask(driver, lines), wanted, lines):
        data = unhexed(answer)
        if isinstance(value, float) and math.isnan(value):
            expect(line, data[:1] == b"\xcb" and math.isnan(msgpack.unpackb(data)), True)
        else:
            expect(line[:80], data, msgpack.packb(value))  # python3-msgpack packs shortest forms too


def check_containers(driver):
    sizes = [0, 1, 15, 16, 255, 65535, 65536]
    packer = msgpack.Packer()
    lines = [f"{kind} {n}" for n in sizes for kind in ("array", "map")]
    wanted = [pack(n) for n in sizes for pack in (packer.pack_array_header, packer.pack_map_header)]
    for answer, value, line in zip(ask(driver, lines), wanted, lines):
        expect(line, unhexed(answer), value)


def check_amounts(driver, rng):
    hundredths = [*range(-1000, 1000), *(rng.randrange(-10**8, 10**8) for _ in range(5000))]
    lines = [f"amount {n}" for n in hundredths]
    for answer, n in zip(ask(driver, lines), hundredths):
        value = msgpack.unpackb(unhexed(answer))
        if n % 100 == 0:
            expect(f"amount {n}", (type(value), value), (int, n // 100))
        else:
            expect(f"amount {n}", (type(value), value), (float, float(Decimal(n) / 100)))


# ---- the scan and the unpacker against python3-msgpack ---------------------------------------------------------------

def random_value(rng, depth):
    kind = rng.randrange(10 if depth < 5 else 7)
    if kind == 0:
        return rng.choice([None, True, False])
    if kind in (1, 2):
        return rng.randrange(-(1 << rng.randrange(64)), 1 << rng.randrange(1, 65))
    if kind == 3:
        return rng.choice([0.5, -0.0, 1e300, math.inf, rng.random()])
    if kind in (4, 5):
        return "".join(rng.choice("abcé€🍀\n") for _ in range(rng.randrange(40)))
    if kind == 6:
        return rng.randbytes(rng.randrange(40))
    if kind in (7, 8):
        return [random_value(rng, depth + 1) for _ in range(rng.randrange(6))]
    return {f"k{i}": random_value(rng, depth + 1) for i in range(rng.randrange(6))}


def check_reader(driver, rng):
    values = [random_value(rng, 0) for _ in range(5000)]
    packed = [msgpack.packb(v, use_single_float=rng.random() < 0.2) for v in values]
    scans = ask(driver, [f"scan {hexed(p)} 1048576" for p in packed])
    for p, answer in zip(packed, scans):
        expect(f"scan {p.hex()[:80]}", answer, f"ok {len(p)}")
    for p, answer in zip(packed, ask(driver, [f"echo {hexed(p)}" for p in packed])):
        expect(f"echo {p.hex()[:80]}", unhexed(answer), p)
    # Cut anywhere, the scan asks for more; with less room than the value, it refuses.
    cuts = [(p, rng.randrange(len(p))) for p in packed]
    for (p, cut), answer in zip(cuts, ask(driver, [f"scan {hexed(p[:cut])} 1048576" for p, cut in cuts])):
        expect(f"scan of {cut} bytes of {p.hex()[:80]}", answer, "truncated 0")
    for p, answer in zip(packed, ask(driver, [f"scan {hexed(p)} {len(p) - 1}" for p in packed])):
        expect(f"scan of {p.hex()[:80]} with a byte too little", answer, "too-large 0")


# ---- the conformance suite ---------------------------------------------------------------------------------------------

def suite_cases(build):
    """The suite's cases, installed into the build directory once."""
    home = build / "npm"
    package = home / "node_modules" / SUITE
    if not (package / "package.json").exists():
        home.mkdir(parents=True, exist_ok=True)
        try:
            run = subprocess.run(["npm", "install", "--prefix", str(home), "--no-audit", "--no-fund", "--ignore-scripts",
                                  f"{SUITE}@{SUITE_VERSION}"], capture_output=True, text=True, timeout=300)
        except FileNotFoundError:
            sys.exit("npm is not installed, so the conformance suite cannot be had (Debian: npm)")
        if run.returncode:
            sys.exit(f"npm could not install {SUITE}@{SUITE_VERSION}; is there a network?\n{run.stderr}")
    for name in sorted(package.rglob("*.json")):
        data = json.loads(name.read_text())
        if isinstance(data, dict) and all(isinstance(group, list) for group in data.values()) and \
                any("msgpack" in case for group in data.values() for case in group if isinstance(case, dict)):
            return [case for group in data.values() for case in group]
    sys.exit(f"{package} holds no cases")


def expected_value(case):
    """(what the case is, whether this protocol takes it)."""
    for key in ("nil", "bool", "number", "bignum", "string", "binary", "array", "map"):
        if key in case:
            value = case[key]
            if key == "bignum":
                value = int(value)
            if key == "binary":
                value = bytes.fromhex(value.replace("-", ""))
            return value, True
    return None, False  # extension types and timestamps


def numbers_equal(a, b):
    if isinstance(a, bool) or isinstance(b, bool):
        return a is b
    if isinstance(a, (int, float)) and isinstance(b, (int, float)):
        return a == b
    return a == b


def check_suite(driver, build):
    cases = suite_cases(build)
    expect("cases of the suite", len(cases), SUITE_CASES)
    encodings = [(case, bytes.fromhex(text.replace("-", ""))) for case in cases for text in case["msgpack"]]
    scans = ask(driver, [f"scan {hexed(data)} 1048576" for _, data in encodings])
    echoes = ask(driver, [f"echo {hexed(data)}" for _, data in encodings])
    taken_count = 0
    for (case, data), scan, echo in zip(encodings, scans, echoes):
        value, taken = expected_value(case)
        if not taken:
            expect(f"extension {data.hex()}", scan, "bad-message 0")
            continue
        taken_count += 1
        expect(f"suite {data.hex()[:80]}", scan, f"ok {len(data)}")
        got = msgpack.unpackb(unhexed(echo), strict_map_key=False)
        expect(f"suite value of {data.hex()[:80]}", numbers_equal(got, value), True)
    expect("encodings with extensions", len(encodings) > taken_count > 150, True)
    return len(encodings)


# ---- events made from the answer of `kinds` ------------------------------------------------------------------------------

GTINS = ["6291041500213", "7300011000017", "8904000210037", "5012345678900"]  # GS1, check digit pages


def uuid7(rng):
    raw = bytearray(rng.randbytes(16))
    raw[0] = 1
    raw[6] = 0x70 | raw[6] & 15
    raw[8] = 0x80 | raw[8] & 63
    text = raw.hex()
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"


def text_of(rng, name, low, high):
    if name == "gtin":
        return rng.choice(GTINS)
    if name == "team":
        return rng.choice(["north-shore", "mill-lane", "fell-side"])
    size = rng.randint(low, min(high, 60))
    text = "".join(rng.choice("abc xyz é€,.") for _ in range(size)).encode()[:size].decode(errors="ignore")
    return text or ("x" if low else "")


def amount_of(rng, low, high):
    hundredths = rng.randint(round(low * 100), round(high * 100))
    return hundredths // 100 if hundredths % 100 == 0 else float(Decimal(hundredths) / 100)


def value_of(rng, field, rules):
    kind, name = field["type"], field["name"]
    if kind == "bool":
        return True if field.get("only_true") else rng.random() < 0.5
    if kind in ("int", "time"):
        return rng.randint(field["min"], field["max"])
    if kind == "amount":
        return amount_of(rng, field["min"], field["max"])
    if kind == "date":
        low, high = (datetime.date.fromisoformat(field[k]) for k in ("min", "max"))
        return (low + datetime.timedelta(days=rng.randint(0, (high - low).days))).isoformat()
    if kind == "id":
        return uuid7(rng)
    if kind == "text":
        return text_of(rng, name, field["min"], field["max"])
    if kind == "choice":
        return rng.choice(field["choices"])
    if kind == "choices":
        return rng.sample(field["choices"], rng.randint(field["min"], len(field["choices"])))
    if kind == "values":
        names = rng.sample(sorted(rules), rng.randint(1, 5))
        return {n: rules[n] for n in names}
    count = rng.randint(field["min"], field["max"])
    if kind == "texts":
        return [text_of(rng, "", 1, 60) for _ in range(count)]
    if kind == "pauses":
        return [sorted(value_of(rng, part, rules) for part in field["of"]) for _ in range(count)]
    return [{part["name"]: value_of(rng, part, rules) for part in field["of"]} for _ in range(count)]


def mend(rng, kind, body, rules):
    """What must hold between the fields of one event (PROTOCOL.md, rules between fields)."""
    drop = lambda *names: [body.pop(n, None) for n in names]
    if kind == "patient.revised" and not body:
        body["active"] = True
    if kind == "site.checked" and not body:
        body["warm"] = False
    if kind == "stoma.formed":
        if body.get("precision") not in (None, "unknown"):
            body.setdefault("formed_on", "2000-01-01")
        drop("mature_on", "stitches_out_on")
    if kind == "device.placed":
        if body["retention"] == "balloon":
            body.setdefault("balloon_ml", 5)
        else:
            drop("balloon_ml")
    if kind == "device.prescribed":
        body.setdefault("ph_limit", 5.5)
    if kind == "balloon.checked":
        if "stuck" in body:
            drop("withdrawn_ml", "filled_ml", "left_empty")
        else:
            body.setdefault("withdrawn_ml", 3.5)
            if "left_empty" in body:
                drop("filled_ml")
            else:
                body.setdefault("filled_ml", 5)
    if kind == "contact.made":
        body["recheck_by"] = 4102444800000
    if kind == "plan.set":
        if "policy" in body:
            drop("task", "every_days", "off", "weekdays", "pauses")
            body["value"] = rules[body["policy"]]
        else:
            body.setdefault("task", "rotate")
            drop("value")
            if "off" in body:
                drop("every_days", "weekdays", "pauses")
                body["until"] = "2030-01-01"
            else:
                body.setdefault("every_days", 3)
    if kind == "lot.recalled":
        body.setdefault("lot", "L1")


def policy_defaults(source):
    """Defaults from the table's text, as amounts, so that this check has them from another way than `kinds`."""
    import re
    table = (source / "proto" / "policy_table.h").read_text()
    rows = re.findall(r'P\(\w+, "([a-z-]+)", "[^"]*", \d+, \d+, (\d+),', table)
    return {name: int(n) // 100 if int(n) % 100 == 0 else int(n) / 100 for name, n in rows}


def random_event(rng, kind, envelope, rules):
    body = {f["name"]: value_of(rng, f, rules) for f in kind["fields"] if f["required"] or rng.random() < 0.5}
    mend(rng, kind["name"], body, rules)
    event = {"id": uuid7(rng), "kind": kind["name"], "patient": uuid7(rng), "at": 4102444800000}
    if kind["scope"] == "team":
        del event["patient"]
    for field in envelope:
        if field["name"] not in event and field["name"] != "patient" and rng.random() < 0.4:
            event[field["name"]] = value_of(rng, field, rules)
    event["body"] = body
    return event


def canonical(event, kind, envelope, lists):
    """The content map as PROTOCOL.md describes it, made by another program."""
    def value(field, v):
        if field["type"] == "choices":
            return [c for c in field["choices"] if c in v]
        if field["type"] == "values":
            return {n: v[n] for n in lists if n in v}
        if field["type"] in ("identifiers", "contacts", "uses"):
            return [{p["name"]: entry[p["name"]] for p in field["of"]} for entry in v]
        return v

    body = {f["name"]: value(f, event["body"][f["name"]]) for f in kind["fields"] if f["name"] in event["body"]}
    made = {f["name"]: event[f["name"]] for f in envelope if f["name"] in event}
    made["body"] = body
    return made


def shuffled(rng, value):
    if isinstance(value, dict):
        pairs = [(k, shuffled(rng, v)) for k, v in value.items()]
        rng.shuffle(pairs)
        return dict(pairs)
    return [shuffled(rng, v) for v in value] if isinstance(value, list) else value


def check_events(driver, source, rng):
    tables = msgpack.unpackb(unhexed(ask(driver, ["kinds"])[0]))
    rules = policy_defaults(source)
    order = next(f["choices"] for k in tables["kinds"] for f in k["fields"] if f["name"] == "policy")
    expect("policy values", sorted(rules), sorted(order))
    cases = [(kind, random_event(rng, kind, tables["event"], rules)) for kind in tables["kinds"] for _ in range(60)]
    answers = ask(driver, [f"record {msgpack.packb(shuffled(rng, event)).hex()}" for _, event in cases])
    kept = []
    for (kind, event), answer in zip(cases, answers):
        if not answer.startswith("ok "):
            expect(f"record {json.dumps(event, ensure_ascii=False)}", answer, "ok")
            continue
        data = unhexed(answer[3:])
        kept.append(data)
        content = canonical(event, kind, tables["event"], order)
        stamps = {"by": "local", "node": event["id"], "written_at": event["at"]}
        # Not only the same values: the same bytes as another implementation makes of the description.
        expect(f"canonical {kind['name']}", data, b"\x92" + msgpack.packb(content) + msgpack.packb(stamps))
    for data, answer in zip(kept, ask(driver, [f"kept {data.hex()}" for data in kept])):
        expect("kept", answer, "ok " + data.hex())
    return len(tables["kinds"])


def main():
    source, build = Path(sys.argv[1]), Path(sys.argv[2])
    driver = str(build / "tests" / "proto_driver")
    rng = random.Random(20260301)
    check_writer(driver, rng)
    check_containers(driver)
    check_amounts(driver, rng)
    check_reader(driver, rng)
    kinds = check_events(driver, source, rng)
    encodings = check_suite(driver, build)
    for line in failures:
        print(line)
    print(f"{checked} comparisons, {kinds} kinds, {encodings} encodings of the suite, {len(failures)} differences")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
