#!/usr/bin/env python3
"""Events of a newer version through real daemons of this one: kept, passed on byte for byte, and no harm to what is understood.

Usage: check_versions.py SOURCE_DIR BUILD_DIR [--seed S]

A newer node is played here: it offers events with kinds, fields, choices, stomas, envelope keys and stamps that this version
does not have. A server takes them, a laptop pulls them, a further node fetches them from the laptop, and at last the laptop
hands them to a server that never had any of it. Wherever they are they are the same bytes.
"""
import argparse
import hashlib
import random
import sys

import msgpack

sys.dont_write_bytecode = True  # the tree of sources stays as it is
from sync_world import DAY_MS, ZERO_ID, Node, Peer, Proxy, expect, now_ms, run_case, until, uuid7

TEAM = "mill-lane"
EVENT_BYTES_MAX = 16384  # PROTOCOL.md, for every version


def canonical(content, stamps):
    return msgpack.packb([content, stamps], use_bin_type=True)


class Newer:
    """Makes events as a node of a later version would, and offers them."""

    def __init__(self, world, node, teams):
        self.rng, self.id = world.rng, uuid7(world.rng, now_ms())
        self.peer = Peer(node.path)
        self.peer.ask("hello", {"agent": "betonyd 9.0", "node": self.id, "teams": teams,
                                "place": {"log": self.id, "seq": 0, "chain": "0" * 64}})

    def make(self, kind, patient, body, at=None, envelope=None, stamps=None):
        at = now_ms() - DAY_MS if at is None else at
        content = {"id": uuid7(self.rng, at), "kind": kind}
        if patient:
            content["patient"] = patient
        content.update({"at": at, **(envelope or {}), "body": body})
        return content["id"], canonical(content, {"by": "newer", "node": self.id, "written_at": at, **(stamps or {})})

    def offer(self, made):
        return self.peer.ask("offer", {"events": [[0, data] for _, data in made]})["results"]


def of_size(newer, child, size):
    """An event of an unknown kind of exactly so many bytes."""
    pad = size - 400
    while True:
        made = newer.make("voice.kept", child, {"sound": b"\x00\xff" * (pad // 2) + b"x" * (pad % 2)})
        if len(made[1]) == size:
            return made
        pad += size - len(made[1])


def strange_events(newer, child):
    """name -> (id, bytes): each with one thing that this version does not know."""
    return {
        "kind": newer.make("gaze.measured", child, {"degrees": 3.25, "eyes": ["left", {"deep": [1, None, True, b"\x01"]}]}),
        "kind, no child": newer.make("region.renamed", None, {"name": "Dale\u00e9", "of": [1] * 40}),
        "kind, at the limit": of_size(newer, child, EVENT_BYTES_MAX),
        "field": newer.make("balloon.checked", child, {"withdrawn_ml": 4.5, "filled_ml": 5, "temperature_c": 36.5}),
        "choice": newer.make("site.checked", child, {"redness": "violet", "pain": "none"}),
        "choice of the envelope": newer.make("note.written", child, {"text": "seen by a machine"},
                                             envelope={"done_by": "machine", "source": "measured"}),
        "stoma": newer.make("balloon.checked", child, {"withdrawn_ml": 1, "filled_ml": 5}, envelope={"stoma": "third"}),
        "key of the envelope": newer.make("note.written", child, {"text": "a note"},
                                          envelope={"urgency": 5, "places": {"x": [1, 2]}}),
        "stamp": newer.make("note.written", child, {"text": "stamped"}, stamps={"clock_offset_ms": 7, "trust": "high"}),
        "type of a known field": newer.make("weight.measured", child, {"weight_kg": {"value": 12, "by": "chair"}}),
        "no field that is needed": newer.make("device.placed", child, {"shape": "round"}),
        "policy": newer.make("policy.adopted", None, {"values": {"gaze-days": 9, "balloon-check-days": 6}, "approved_by": "lead"}),
        "longer number form": newer.make("note.written", child, {"text": "long"}),  # its form is changed below
        "withdraws what is unknown": newer.make("event.withdrawn", child, {"event": uuid7(newer.rng, now_ms()), "reason": "?", "how": 2}),
        "far ahead": newer.make("gaze.measured", child, {"degrees": 4}, at=now_ms() + 300 * DAY_MS),
    }


def not_shortest(made):
    """The same event with its `at` in a form of nine bytes as an int 64 instead of an unsigned one."""
    ident, data = made
    at = data.index(b"\xa2at\xcf") + 3
    return ident, data[:at] + b"\xd3" + data[at + 1:]


def held(node, ids):
    """{id: bytes} as this node hands them out."""
    found, ids = {}, list(ids)
    while ids:
        page = node.ask("fetch", {"ids": ids[:50]})
        for entry in page["events"]:
            found[msgpack.unpackb(entry[1], strict_map_key=False)[0]["id"]] = entry[1]
        ids = ids[page.get("looked_at", 50):]
    return found


def expect_same(node, events, where):
    found = held(node, [ident for ident, _ in events.values()])
    for name, (ident, data) in events.items():
        expect(found.get(ident) == data, f"{where}: the event with another {name} is "
                                         f"{'not there' if ident not in found else 'not the same bytes'}")


def digest_of(datas):
    """As PROTOCOL.md has it: the sum of SHA-256(id, SHA-256(bytes))."""
    total = 0
    for data in datas:
        ident = bytes.fromhex(msgpack.unpackb(data, strict_map_key=False)[0]["id"].replace("-", ""))
        total += int.from_bytes(hashlib.sha256(ident + hashlib.sha256(data).digest()).digest(), "big")
    return (total % (1 << 256)).to_bytes(32, "big").hex()


def walk(world):
    server = world.server
    newer = Newer(world, server, [TEAM])
    child = uuid7(world.rng, now_ms())
    registration = newer.make("patient.registered", child, {
        "label": "HM-0001", "born": "2020-04-02", "zone": "Europe/London", "team": TEAM, "pronoun": "they", "scores": {"a": 1}},
        at=now_ms() - 90 * DAY_MS)
    plain = newer.make("balloon.checked", child, {"withdrawn_ml": 4, "filled_ml": 5}, at=now_ms() - 2 * DAY_MS)
    events = {"field of a registration": registration, "nothing": plain, **strange_events(newer, child)}
    events["longer number form"] = not_shortest(events["longer number form"])
    results = newer.offer(list(events.values()))
    for name, result in zip(events, results):
        expect(result[0] == 1, f"the event with another {name} was not taken: {result}")
    expect(all(r[0] == 2 for r in newer.offer(list(events.values()))), "offered again they are not held")

    laptop = world.laptop("laptop", TEAM)
    world.even()
    for node in (server, laptop):
        expect_same(node, events, node.name)
        sums, own = node.digest(), [d for _, d in events.values() if "patient" in msgpack.unpackb(d, strict_map_key=False)[0]]
        rest = [d for _, d in events.values() if d not in own]
        expect(sums[child] == (len(own), digest_of(own)) and sums[ZERO_ID] == (len(rest), digest_of(rest)), f"digests: {sums}")

    # What is understood is as if nothing strange had come: the main stoma's last check is the plain one or the one with a field more.
    checks = [row["id"] for row in laptop.history(child) if row["kind"] == "balloon.checked"]
    expect(events["field"][0] in checks and plain[0] in checks, f"checks that are understood are not shown: {checks}")
    compared = world.statuses_are_even()
    expect(compared == 1, f"{compared} pages compared")

    # Work goes on at the old laptop, about the same child, and both ways.
    late = world.note(child, "at the laptop")
    laptop.record(late)
    world.even()
    expect(server.holds([late["id"]]), "what was recorded at the laptop has not arrived")

    # A kill, and they are still there.
    laptop.kill()
    laptop.start()
    expect_same(laptop, events, "the laptop, started again")

    # The laptop hands all of it to a server that never had any.
    second = Node(world, "second")
    world.nodes.append(second)
    laptop.stop()
    server.stop()
    world.server = second
    second.start()
    laptop.start()
    world.even()
    expect_same(second, events, "the second server")
    expect(second.holds([late["id"]]) and laptop.sync_state()["refused"] == 0, f"refused: {laptop.ask('refused')}")
    return f"{len(events)} strange events the same at three nodes"


def beyond(world):
    """What is no event for this version is refused by itself, and does not stop the rest."""
    newer = Newer(world, world.server, [TEAM])
    child = world.register(world.server, TEAM)[0]
    well = [newer.make("gaze.measured", child, {"degrees": n}) for n in range(3)]
    bad = {
        "more bytes than an event can have": of_size(newer, child, EVENT_BYTES_MAX + 1),
        "a policy about a child": newer.make("policy.adopted", child, {"values": {"balloon-check-days": 6}, "approved_by": "lead"}),
        "no time": (None, canonical({"id": uuid7(world.rng, now_ms()), "kind": "note.written", "patient": child, "body": {}},
                                    {"by": "newer", "node": newer.id, "written_at": 1})),
        "deeper than is read": newer.make("gaze.measured", child, {"x": [[[[[[[[[[[[[[[[[[1]]]]]]]]]]]]]]]]]]}),
        "not MessagePack": (None, b"\xc1\xc1\xc1"),
    }
    made = [well[0], *bad.values(), *well[1:]]
    results = newer.offer(made)
    expect([r[0] for r in results] == [1] + [3] * len(bad) + [1, 1], f"what came of each: {results}")
    laptop = world.laptop("laptop", TEAM)
    world.even()
    expect(laptop.holds([ident for ident, _ in well]) == {ident for ident, _ in well}, "what is well is not at the laptop")
    return f"{len(bad)} refused, {len(well)} taken"


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("source")
    parser.add_argument("build")
    parser.add_argument("--seed", type=int, default=random.randrange(1 << 30))
    arguments = parser.parse_args()
    print("seed", arguments.seed)
    for name, case in (("walk", walk), ("beyond", beyond)):
        print(f"{name}: {run_case(arguments.build + '/bin/betonyd', random.Random(arguments.seed), 'versions', case)}", flush=True)


if __name__ == "__main__":
    sys.exit(main())
