#!/usr/bin/env python3
"""What nodes ask of each other, against real daemons: hello, offer, fetch, digest, nodes.

Usage: check_nodes.py SOURCE_DIR BUILD_DIR

A node is played here, by a model of a few lines: it keeps records by id, applies whole pages, and must then hold what the
calls that were made say. Sums and hashes are worked out with hashlib.
"""
import hashlib
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time

import msgpack

BASE_MS = 1774000000000
NOBODY = "00000000-0000-0000-0000-000000000000"
PART_BYTES, RECORD_PART_BYTES = 256 << 10, 896 << 10


def uuid7(rng, ms):
    """A version 7 UUID (RFC 9562 5.7) from a seeded generator."""
    value = (ms & ((1 << 48) - 1)) << 80 | 0x7 << 76 | rng.getrandbits(12) << 64 | 0x2 << 62 | rng.getrandbits(62)
    text = f"{value:032x}"
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"


class Peer:
    def __init__(self, path):
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(60)
        self.sock.connect(path)
        self.unpacker = msgpack.Unpacker(strict_map_key=False, max_buffer_size=8 << 20)
        self.msgid = 0
        self.answers = {}

    def send(self, method, params=None):
        self.msgid += 1
        self.sock.sendall(msgpack.packb([0, self.msgid, method, [params or {}]]))
        return self.msgid

    def wait(self, msgid):
        while msgid not in self.answers:
            data = self.sock.recv(1 << 20)
            if not data:
                raise ConnectionError("closed")
            self.unpacker.feed(data)
            for message in self.unpacker:
                assert message[0] == 1, message
                self.answers[message[1]] = message
        message = self.answers.pop(msgid)
        return message[2], message[3]

    def call(self, method, params=None):
        return self.wait(self.send(method, params))

    def ask(self, method, params=None):
        error, result = self.call(method, params)
        assert error is None, (method, error)
        return result

    def patient_ask(self, method, params=None):
        """As ask, but a server that is still rebuilding is asked again, as it says."""
        for _ in range(60):
            error, result = self.call(method, params)
            if not error or error["code"] != "rebuilding":
                break
            time.sleep(error["retry_ms"] / 1000)
        assert error is None, (method, error)
        return result

    def refused(self, method, params=None):
        error, _ = self.call(method, params)
        assert error is not None, (method, params)
        return error["code"]

    def close(self):
        self.sock.close()


class Daemon:
    def __init__(self, program, store):
        self.path = os.path.join(store, "s")
        self.process = subprocess.Popen([program, "run", "--store", store, "--listen", "none", "--socket", self.path],
                                        stderr=subprocess.PIPE, stdin=subprocess.DEVNULL)
        lines = []
        for raw in self.process.stderr:
            lines.append(raw.decode())
            if "ready" in lines[-1]:
                return
        raise SystemExit("the daemon did not become ready:\n" + "".join(lines))

    def end(self, how=signal.SIGTERM):
        self.process.send_signal(how)
        self.process.wait(60)
        self.process.stderr.close()


class Caseload:
    """Records at a daemon, and remembers what is whose."""

    def __init__(self, daemon, seed):
        self.peer, self.rng, self.at = Peer(daemon.path), random.Random(seed), BASE_MS
        self.team, self.events, self.labels = {}, {NOBODY: set()}, 0

    def event(self, kind, patient, body, **more):
        self.at += 1000
        made = {"id": uuid7(self.rng, self.at), "kind": kind, "at": self.at, "body": body, **more}
        if patient:
            made["patient"] = patient
        return made

    def record(self, *events):
        for i in range(0, len(events), 1000):
            self.peer.ask("record", {"events": events[i:i + 1000], "want": "none"})
        for event in events:
            child = event.get("patient", NOBODY)
            self.events.setdefault(child, set()).add(event["id"])
            if event["kind"] in ("patient.registered", "patient.moved"):
                self.team[child] = event["body"]["team"]

    def registration(self, team):
        self.labels += 1
        return self.event("patient.registered", uuid7(self.rng, self.at), {
            "label": f"N-{self.seed_name()}-{self.labels}", "born": "2020-01-05", "zone": "Europe/London",
            "team": team})

    def seed_name(self):
        return f"{self.rng.getrandbits(16):04x}"

    def register(self, team):
        event = self.registration(team)
        self.record(event)
        return event["patient"]

    def note(self, child, size=40):
        return self.event("note.written", child, {"text": "x" * size})

    def move(self, child, team):
        self.record(self.event("patient.moved", child, {"team": team}))

    def policy(self):
        self.record(self.event("policy.adopted", None, {"values": {"balloon-check-days": 8}, "approved_by": "A. Lead"}))

    def held_by(self, teams):
        """What a node of these teams must hold, as {record: ids}; None: all teams."""
        return {record: ids for record, ids in self.events.items()
                if ids and (record == NOBODY or teams is None or self.team[record] in teams)}


def read_event(data):
    content, _ = msgpack.unpackb(data)
    return content


class Node:
    """A node as the contract has it: applies whole pages, drops what left."""

    def __init__(self, daemon, teams, node, place=None, agent="check"):
        self.peer, self.teams, self.node = Peer(daemon.path), teams, node
        self.place = place or {"log": node, "seq": 0, "chain": "00" * 32}
        self.scope = {"all_teams": True} if teams is None else {"teams": teams}
        self.hello = self.peer.patient_ask("hello", {"agent": agent, "node": node, "place": self.place, **self.scope})
        self.cursor, self.records, self.events, self.parts = None, {}, {}, []

    def apply(self, first):
        """A page whose parts are got by `next`; returns its last part."""
        parts = [first]
        while parts[-1].get("within"):
            assert parts[-1]["more"]
            parts.append(self.peer.ask("fetch", {"next": True}))
            assert parts[-1]["cursor"] == first["cursor"], "all parts bear the page's cursor"
        for part in parts:
            most = PART_BYTES if self.teams is None else RECORD_PART_BYTES  # into all teams nobody arrives
            assert sum(len(event[1]) for event in part["events"]) < most + 16384
            assert part["cursor"]["seq"] <= part["at"]["seq"] <= part["seq"]
            for flags, data, received_at, receipt in part["events"]:
                assert flags in (0, 1) and len(receipt) == 16 and received_at > BASE_MS
                content = read_event(data)
                self.events[content["id"]] = (flags, data, received_at, receipt)
                self.records.setdefault(content.get("patient", NOBODY), set()).add(content["id"])
        for record in [record for part in parts for record in part["left"]]:
            self.records.pop(record, None)
        self.cursor = first["cursor"]
        self.parts.append(len(parts))
        return parts[-1]

    def pull(self):
        part = self.apply(self.peer.ask("fetch", {"after": self.cursor} if self.cursor else {}))
        while part["more"]:
            part = self.apply(self.peer.ask("fetch", {"next": True}))
        return part

    def digest(self):
        params, rows, cursor = dict(self.scope), [], None
        while True:
            page = self.peer.ask("digest", params)
            cursor = cursor or page["cursor"]
            rows += page["records"]
            if "after" not in page:
                return rows, cursor
            params["after"] = page["after"]


def leaf(data):
    ident = bytes.fromhex(read_event(data)["id"].replace("-", ""))
    return int.from_bytes(hashlib.sha256(ident + hashlib.sha256(data).digest()).digest(), "big")


def sum_of(events):
    return (sum(leaf(data) for data in events) % (1 << 256)).to_bytes(32, "big")


# ---- who may ask, and how ------------------------------------------------------------------------------------------

def check_hello(daemon, rng):
    peer = Peer(daemon.path)
    node, place = uuid7(rng, BASE_MS), {"log": uuid7(rng, BASE_MS), "seq": 3, "chain": "ab" * 32}
    for method, params in (("fetch", {}), ("offer", {"events": [[0, b"x"]]}), ("digest", {})):
        assert peer.refused(method, params) == "not-signed-in"
    for params, code in (({"node": node, "teams": ["north"]}, "missing-field"),
                         ({"node": node, "place": place}, "missing-field"),
                         ({"node": node, "place": place, "teams": []}, "missing-field"),
                         ({"node": node, "place": place, "teams": ["north"], "all_teams": True}, "bad-value"),
                         ({"node": node, "place": place, "teams": ["North"]}, "bad-value"),
                         ({"node": node, "place": place, "teams": ["n" * 41]}, "bad-value"),
                         ({"node": node, "place": place, "teams": [f"t{i}" for i in range(17)]}, "too-large"),
                         ({"node": NOBODY, "place": place, "all_teams": True}, "bad-value")):
        assert peer.refused("hello", params) == code, (params, code)
    assert peer.refused("fetch", {}) == "not-signed-in", "a hello that was refused makes no node"
    assert "known" not in peer.ask("hello", {"node": node, "place": place, "teams": ["north"]})
    own = peer.ask("hello", {"node": node, "place": place, "all_teams": True})["node"]
    known = peer.ask("hello", {"node": own, "place": place, "all_teams": True})["known"]
    assert known == {"log": place["log"], "seq": 3, "chain": "00" * 32}, "a copy of the server itself is told so"
    peer.close()


def check_known(daemon, rng):
    """The place that a node is remembered at, from its first call after hello on, through the log."""
    ident, log = uuid7(rng, BASE_MS), uuid7(rng, BASE_MS)
    places = [{"log": log, "seq": seq, "chain": f"{seq:02x}" * 32} for seq in range(5)]
    first = Node(daemon, ["north"], ident, places[1])
    assert "known" not in first.hello
    assert "known" not in Node(daemon, ["north"], ident, places[2]).hello, "nothing is kept of a hello alone"
    first.peer.ask("fetch", {})
    second = Node(daemon, ["north"], ident, places[3])
    assert second.hello["known"] == places[1]
    second.peer.ask("fetch", {})
    second.peer.close()
    first.peer.close()
    third = Node(daemon, ["south", "north"], ident, places[4], agent="third")
    assert third.hello["known"] == places[3]
    third.peer.ask("digest", {"records": [NOBODY]})
    rows = {row["node"]: row for row in third.peer.ask("nodes")["rows"]}
    assert rows[ident]["teams"] == ["south", "north"] and rows[ident]["agent"] == "third"
    assert rows[ident]["known"] == 4 and rows[ident]["connections"] == 1
    third.peer.close()
    return ident, places[4]


def check_params(daemon, rng):
    node = Node(daemon, ["north"], uuid7(rng, BASE_MS))
    cursor = {"log": NOBODY, "seq": 0, "chain": "00" * 32}
    for method, params, code in (
            ("fetch", {"next": True}, "conflict"),
            ("fetch", {"next": True, "ids": [NOBODY]}, "bad-value"),
            ("fetch", {"record": NOBODY, "teams": ["north"]}, "bad-value"),
            ("fetch", {"from": "AAAA"}, "bad-value"),
            ("fetch", {"seen": cursor, "next": True}, "bad-value"),
            ("fetch", {"record": NOBODY, "from": "AAAA"}, "bad-value"),
            ("fetch", {"after": cursor, "ids": [NOBODY]}, "bad-value"),
            ("fetch", {"teams": ["a b"]}, "bad-value"),
            ("digest", {"teams": ["north"], "records": [NOBODY]}, "bad-value"),
            ("digest", {"records": [NOBODY], "after": "AAAA"}, "bad-value"),
            ("digest", {"after": "AAAA"}, "bad-value"),
            ("digest", {"record": "x"}, "bad-value"),
            ("offer", {"events": [[1, b"x"]]}, "bad-value"),
            ("offer", {"events": [[0, b""]]}, "bad-value"),
            ("offer", {"events": [[0, b"x", 5]]}, "bad-value"),
            ("offer", {"events": []}, "bad-value"),
            ("offer", {"events": [[0, b"x"]] * 8001}, "too-large"),
            ("refused", {"again": NOBODY, "drop": NOBODY}, "bad-value"),
            ("refused", {"drop": NOBODY}, "bad-value"),
            ("refused", {"after": "AAAA"}, "bad-value")):
        assert node.peer.refused(method, params) == code, (method, params)
    assert node.peer.ask("refused") == {"rows": []}
    state = node.peer.ask("sync-state")
    assert "upstream" not in state and state["refused"] == 0 and state["left"] == [] and state["replaced"] == []
    node.peer.close()


# ---- pages -----------------------------------------------------------------------------------------------------------

def some_history(case, children, steps):
    for _ in range(steps):
        roll, child = case.rng.random(), case.rng.choice(children)
        if roll < 0.1:
            children.append(case.register(case.rng.choice(["north", "south", "west"])))
        elif roll < 0.3:
            case.move(child, case.rng.choice(["north", "south", "west"]))
        elif roll < 0.33:
            case.policy()
        else:
            case.record(*[case.note(child, case.rng.randrange(1, 200)) for _ in range(case.rng.randrange(1, 4))])


def check_pages(daemon, case, rng):
    """Nodes of several scopes, pulling at different times, hold what is theirs and nothing else."""
    children = [case.register(team) for team in ("north", "south", "west")]
    scopes = [["north"], ["south", "west"], ["nowhere"], None]
    nodes = [Node(daemon, scope, uuid7(rng, BASE_MS)) for scope in scopes]
    for turn in range(12):
        some_history(case, children, 25)
        for node in nodes if turn % 3 == 2 else nodes[:2]:
            end = node.pull()
            assert end["cursor"]["seq"] == end["seq"]
            assert node.records == case.held_by(node.teams), f"turn {turn}, {node.teams}"
        late = Node(daemon, scopes[turn % 4], uuid7(rng, BASE_MS))
        late.pull()
        assert late.records == case.held_by(late.teams), f"turn {turn}, from the beginning, {late.teams}"
        late.peer.close()
    idle = nodes[0].peer.ask("fetch", {"next": True})
    assert idle["events"] == [] and not idle["more"] and idle["cursor"] == nodes[0].cursor
    changed = Node(daemon, ["west"], uuid7(rng, BASE_MS))
    part = changed.apply(changed.peer.ask("fetch", {"teams": ["south"]}))  # another scope than hello's
    while part["more"]:
        part = changed.apply(changed.peer.ask("fetch", {"next": True}))
    assert changed.records == case.held_by(["south"])
    for node in nodes + [changed]:
        node.peer.close()
    return children


def check_joined(daemon, case, rng):
    """Events of one call follow each other marked so; of two calls they do not."""
    child = case.register("joined")
    calls = [[case.note(child) for _ in range(size)] for size in (1, 3, 1, 2)]
    for call in calls:
        case.record(*call)
    node = Node(daemon, ["joined"], uuid7(rng, BASE_MS))
    node.pull()
    for call in calls:
        assert [node.events[event["id"]][0] for event in call] == [0] + [1] * (len(call) - 1)
    node.peer.close()


def check_parts(daemon, case, rng):
    """A long record that comes in, in parts; parts asked for in advance; a node that is cut off between them."""
    child = case.register("far")
    case.record(*[case.note(child, 300) for _ in range(4200)])
    node = Node(daemon, ["near"], uuid7(rng, BASE_MS))
    node.pull()
    assert child not in node.records
    case.record(case.note(child))
    case.move(child, "near")
    after = [case.note(child) for _ in range(3)]
    case.record(*after)
    node.pull()
    assert node.records == case.held_by(["near"]) and max(node.parts) > 1
    # the same in advance: every answer in the order of the asking
    ahead = Node(daemon, ["near"], uuid7(rng, BASE_MS))
    asked = [ahead.peer.send("fetch", {})] + [ahead.peer.send("fetch", {"next": True}) for _ in range(12)]
    pages = [ahead.peer.wait(msgid)[1] for msgid in asked]
    got = {read_event(event[1])["id"] for page in pages for event in page["events"]}
    assert got == {ident for ids in case.held_by(["near"]).values() for ident in ids}
    assert not pages[-1]["more"] and pages[-1]["events"] == []
    seqs = [page["cursor"]["seq"] for page in pages]
    assert seqs == sorted(seqs)
    # cut off within: from the old cursor it all comes again
    again = Node(daemon, ["near"], uuid7(rng, BASE_MS))
    page = again.peer.ask("fetch", {})
    while not page.get("within"):
        page = again.apply(page) and again.peer.ask("fetch", {"next": True})
    again.peer.ask("fetch", {"next": True})
    held, cursor = dict(again.records), again.cursor
    again = Node(daemon, ["near"], uuid7(rng, BASE_MS))
    again.records, again.cursor = held, cursor
    again.pull()
    assert again.records == case.held_by(["near"])
    # leaving while its parts are sent: the next page says so
    leaving = Node(daemon, ["near"], uuid7(rng, BASE_MS))
    page = leaving.peer.ask("fetch", {})
    while not page.get("within"):
        page = leaving.apply(page) and leaving.peer.ask("fetch", {"next": True})
    case.move(child, "far")
    leaving.apply(page)
    assert child in leaving.records
    leaving.pull()
    assert leaving.records == case.held_by(["near"]) and child not in leaving.records
    for each in (node, ahead, again, leaving):
        each.peer.close()
    return child


def check_diverged(daemon, rng):
    node = Node(daemon, ["north"], uuid7(rng, BASE_MS))
    cursor = node.pull()["cursor"]
    assert node.peer.ask("fetch", {"after": cursor})["cursor"] == cursor
    for wrong in ({"chain": "00" * 32}, {"log": uuid7(rng, BASE_MS)}, {"seq": cursor["seq"] - 1},
                  {"seq": cursor["seq"] + 1}, {"seq": (1 << 63) - 1}):
        assert node.peer.refused("fetch", {"after": {**cursor, **wrong}}) == "diverged", wrong
    start = node.peer.ask("fetch", {"teams": ["nowhere-at-all"]})
    assert node.peer.ask("fetch", {"after": start["cursor"], "teams": ["nowhere-at-all"]})["events"] == []
    node.peer.close()


# ---- by id, by record, by digest -----------------------------------------------------------------------------------------

def check_digest(daemon, case, rng, long_child):
    case.record(*[case.registration("many") for _ in range(4100)])
    node, every = Node(daemon, ["many"], uuid7(rng, BASE_MS)), Node(daemon, None, uuid7(rng, BASE_MS))
    every.pull()
    assert every.records == case.held_by(None)
    for reader in (node, every):
        rows, cursor = reader.digest()
        expected = case.held_by(reader.teams)
        assert [row[0] for row in rows] == sorted(expected), "every record in scope once, by id"
        assert cursor["seq"] == every.cursor["seq"]
        for ident, count, total in rows:
            assert count == len(expected[ident])
            assert total == sum_of(every.events[event][1] for event in expected[ident])
    tokens = node.peer.ask("digest", {"teams": ["many"]})
    assert "after" in tokens
    assert node.peer.refused("digest", {"teams": ["far"], "after": tokens["after"]}) == "bad-value"
    outside, unknown = long_child, uuid7(rng, BASE_MS)
    some = rng.sample(sorted(case.held_by(["many"])), 50) + [outside, unknown, NOBODY]
    rows = node.peer.ask("digest", {"records": some})["records"]
    assert [row[0] for row in rows] == some
    assert [row[3] for row in rows] == ["in"] * 50 + ["out", "unknown", "in"]
    assert rows[-2][1:3] == [0, bytes(32)]
    check_record(node, every, case, long_child)
    node.peer.close()
    every.peer.close()


def gather(peer, method, params, key, token):
    rows, pages = [], 0
    while True:
        page = peer.ask(method, params)
        rows, pages = rows + page[key], pages + 1
        if token not in page:
            return rows, pages
        params = {**params, token: page[token]}


def check_record(node, every, case, child):
    """One record by hashes and whole, and events by id: only what is in scope."""
    hashes, pages = gather(every.peer, "digest", {"record": child}, "events", "after")
    assert pages > 1 and {ident for ident, _ in hashes} == case.events[child] and len(hashes) == len(case.events[child])
    assert all(hashlib.sha256(every.events[ident][1]).digest() == value for ident, value in hashes)
    events, pages = gather(every.peer, "fetch", {"record": child}, "events", "from")
    assert pages > 1 and {read_event(event[1])["id"] for event in events} == case.events[child]
    assert len(events) == len(case.events[child])
    assert gather(every.peer, "fetch", {"record": NOBODY}, "events", "from")[0] != []
    assert node.peer.ask("fetch", {"record": child})["events"] == []
    wanted = sorted(case.events[child])[:1000]
    answer = node.peer.ask("fetch", {"ids": wanted})
    assert answer["events"] == [] and answer["looked_at"] == 1000 and answer["at"]["seq"] > 0
    got, ids = [], wanted
    while ids:
        answer = every.peer.ask("fetch", {"ids": ids})
        assert answer["looked_at"] > 0
        got, ids = got + [read_event(event[1])["id"] for event in answer["events"]], ids[answer["looked_at"]:]
    assert got == wanted
    assert every.peer.ask("fetch", {"ids": [child, wanted[0]]})["looked_at"] == 2


# ---- offers ------------------------------------------------------------------------------------------------------------------

def written_by(daemon, case, rng):
    """Everything a laptop wrote, as it would offer it, in calls."""
    node = Node(daemon, None, uuid7(rng, BASE_MS))
    found, part = [], {"more": True}
    while part["more"]:
        part = node.peer.ask("fetch", {"next": True} if found else {})
        found += part["events"]
    node.peer.close()
    return [event[:2] for event in found]


def offer(node, events, **more):
    answer = node.peer.ask("offer", {"events": events, **more})
    assert len(answer["results"]) == len(events) and answer["at"]["seq"] <= answer["seq"]
    node.seen = answer["at"]
    return answer["results"]


def check_offer(upstream, laptop, rng):
    case = Caseload(laptop, 77)
    child = case.register("north")
    calls = [[case.note(child)], [case.note(child) for _ in range(3)]]
    for call in calls:
        case.record(*call)
    elsewhere = case.register("south")
    case.record(case.note(elsewhere))
    written = written_by(laptop, case, rng)
    by_id = {read_event(event[1])["id"]: event for event in written}
    node = Node(upstream, ["north"], uuid7(rng, BASE_MS))
    node.pull()
    # an unknown child: refused; with its registration in the offer: taken; again: held
    one = by_id[calls[0][0]["id"]]
    assert [result[:2] for result in offer(node, [one])] == [[3, "unknown-patient"]]
    registration, first, *joined = written[:5]
    assert [event[0] for event in joined] == [0, 1, 1]
    results = offer(node, [registration, first])
    assert [result[0] for result in results] == [1, 1] and all(len(result[2]) == 16 for result in results)
    again = offer(node, [registration, first])
    assert [result[0] for result in again] == [2, 2]
    assert [result[1:] for result in again] == [result[1:] for result in results], "one word for one event"
    # the other team's child, and a call that is refused whole; what is held of it stays held
    registration_south, note_south = written[5:7]
    results_south = offer(node, [registration_south, note_south])
    assert [result[:2] for result in results_south] == [[3, "not-allowed"], [3, "unknown-patient"]], results_south
    mixed = [joined[0], [1, note_south[1]], [1, joined[1][1]]]
    assert [result[0] for result in offer(node, mixed)] == [3, 3, 3]
    assert [result[0] for result in offer(node, [first, [1, note_south[1]], joined[0]])] == [2, 3, 1]
    assert [result[0] for result in offer(node, joined)] == [2, 1, 1]
    # no event at all; the same id with other bytes
    assert offer(node, [[0, b"nonsense"], [0, b"\x92\x80\x80"]])[0][:2] == [3, "bad-message"]
    content, stamps = msgpack.unpackb(first[1])
    other = msgpack.packb([content, {**stamps, "by": "somebody"}])
    [result] = offer(node, [[0, other]])
    assert result[0] == 4 and result[1] == first[1] and result[2:] == results[1][1:]
    # what was taken came through this node, and its own pages bring it back
    row = next(row for row in node.peer.ask("history", {"patient": child})["rows"] if row["id"] == calls[0][0]["id"])
    assert row["via"] == node.node
    node.pull()
    assert node.records[child] == case.events[child]
    check_left(upstream, node, case, laptop, rng, child)
    check_large(upstream, laptop, rng)
    node.peer.close()
    return first, results[1]


def check_left(upstream, node, case, laptop, rng, child):
    """A child that has just left: what was written before the node knew is taken, later it is not."""
    before = node.cursor
    late = [case.note(child), case.note(child)]
    case.record(late[0])
    case.record(late[1])
    bytes_of = {read_event(event[1])["id"]: event for event in written_by(laptop, case, rng)}
    mover = Caseload(upstream, 78)
    mover.record(mover.event("patient.moved", child, {"team": "south"}))
    results = offer(node, [[0, bytes_of[late[0]["id"]][1]]], cursor=before)
    assert [result[0] for result in results] == [1]
    node.pull()
    assert child not in node.records
    results = offer(node, [[0, bytes_of[late[1]["id"]][1]]], cursor=node.cursor)
    assert [result[:2] for result in results] == [[3, "not-allowed"]]
    wrong = {**node.cursor, "chain": "00" * 32}  # none of this log's: counts as nothing pulled yet
    assert [result[0] for result in offer(node, [[0, bytes_of[late[1]["id"]][1]]], cursor=wrong)] == [1]


def check_large(upstream, laptop, rng):
    """One call with its stamps is more than other peers may send, and fits."""
    case = Caseload(laptop, 79)
    child = case.register("large")
    call = [case.note(child, 850) for _ in range(1000)]
    case.record(*call)
    written = {read_event(event[1])["id"]: event for event in written_by(laptop, case, rng)}
    registration = next(event for event in written.values() if read_event(event[1]).get("patient") == child
                        and read_event(event[1])["kind"] == "patient.registered")
    events = [registration] + [written[event["id"]] for event in call]
    events[1] = [0, events[1][1]]
    assert sum(len(event[1]) for event in events) > 1 << 20
    node = Node(upstream, ["large"], uuid7(rng, BASE_MS))
    assert [result[0] for result in offer(node, events)] == [1] * 1001
    node.pull()
    assert node.records[child] == case.events[child]
    node.peer.close()


def check_cut(upstream, rng):
    """An answer that would be too long is cut between two calls; the rest is answered when it is offered again."""
    case = Caseload(upstream, 81)
    child = case.register("cut")
    calls = [[case.note(child, 2000) for _ in range(size)] for size in (400, 3, 400, 300)]
    for call in calls:
        case.record(*call)
    node = Node(upstream, ["cut"], uuid7(rng, BASE_MS))
    node.pull()
    offered = []
    for call in calls:
        for place, event in enumerate(call):  # the same ids, with other and shorter bytes
            content, stamps = msgpack.unpackb(node.events[event["id"]][1])
            offered.append([1 if place else 0, msgpack.packb([{**content, "body": {"text": "y"}}, stamps])])
    assert sum(len(node.events[event["id"]][1]) for call in calls for event in call) > 2 << 20
    results = []
    while len(results) < len(offered):
        answer = node.peer.ask("offer", {"events": offered[len(results):]})["results"]
        assert answer and (len(results) + len(answer)) in (400, 403, 803, 1103), "never within a call"
        assert all(result[0] == 4 for result in answer)
        results += answer
    assert len(results) == 1103 and results[0][1] == node.events[calls[0][0]["id"]][1]
    node.peer.close()


def check_restored(program, upstream, store, home, rng, laptop, first_offered):
    """An upstream that was put back: what it had taken since comes again, with its first time, by its own word."""
    backup, restored = os.path.join(home, "backup"), os.path.join(home, "restored")
    subprocess.run([program, "backup", "--store", store, "--to", backup], check=True, stdout=subprocess.DEVNULL,
                   stderr=subprocess.DEVNULL)
    case = Caseload(laptop, 80)
    child = case.register("after-backup")
    case.record(case.note(child))
    events = [event for event in written_by(laptop, case, rng) if read_event(event[1]).get("patient") == child]
    node = Node(upstream, ["after-backup"], uuid7(rng, BASE_MS))
    results = offer(node, events)
    assert [result[0] for result in results] == [1, 1]
    cursor, seen = node.pull()["cursor"], node.seen
    assert "events" in node.peer.ask("fetch", {"after": cursor, "seen": seen})
    upstream.end()
    subprocess.run([program, "restore", "--from", backup, "--store", restored], check=True, stdout=subprocess.DEVNULL,
                   stderr=subprocess.DEVNULL)
    daemon = Daemon(program, restored)
    node = Node(daemon, ["after-backup"], node.node)
    assert node.peer.refused("fetch", {"after": cursor}) == "diverged"
    assert node.peer.refused("fetch", {"after": node.peer.ask("fetch", {})["cursor"], "seen": seen}) == "diverged"
    handed = [event + result[1:] for event, result in zip(events, results)]
    forged = [handed[1][:3] + [bytes(16)]]
    assert [result[0] for result in offer(node, handed[:1])] == [1]
    node.pull()
    assert node.events[read_event(handed[0][1])["id"]][2:] == tuple(results[0][1:]), "its first time, and its own word"
    [result] = offer(node, forged)
    assert result[0] == 1 and result[1] > results[1][1], "a word that is not ours is none"
    held = Node(daemon, ["north", "south"], uuid7(rng, BASE_MS))
    first, answer = first_offered
    assert offer(held, [first]) == [[2] + answer[1:]], "what was in the backup is held, with the same word"
    daemon.end()


def main():
    build = sys.argv[2]
    program = os.path.join(build, "bin", "betonyd")
    home = tempfile.mkdtemp(prefix="betony-nodes-")
    rng = random.Random(11)
    upstream_store = os.path.join(home, "upstream")
    upstream, laptop = None, None
    try:
        for name in ("upstream", "laptop"):
            os.mkdir(os.path.join(home, name))
        upstream = Daemon(program, upstream_store)
        laptop = Daemon(program, os.path.join(home, "laptop"))
        case = Caseload(upstream, 5)
        check_hello(upstream, rng)
        check_params(upstream, rng)
        ident, place = check_known(upstream, rng)
        check_pages(upstream, case, rng)
        check_joined(upstream, case, rng)
        long_child = check_parts(upstream, case, rng)
        check_diverged(upstream, rng)
        check_digest(upstream, case, rng, long_child)
        upstream.end()
        upstream = Daemon(program, upstream_store)
        assert Node(upstream, ["north"], ident, place).hello["known"] == place, "remembered through a restart"
        first_offered = check_offer(upstream, laptop, rng)
        check_cut(upstream, rng)
        check_restored(program, upstream, upstream_store, home, rng, laptop, first_offered)
        print("nodes: pages, parts, digests and offers are as the protocol has them")
    finally:
        for daemon in (upstream, laptop):
            if daemon and daemon.process.poll() is None:
                daemon.end(signal.SIGKILL)
        shutil.rmtree(home)


if __name__ == "__main__":
    main()
