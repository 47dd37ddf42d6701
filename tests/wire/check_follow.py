#!/usr/bin/env python3
"""`follow` over the wire: nothing missing, nothing twice, whoever stops, cuts or kills.

Usage: check_follow.py SOURCE_DIR BUILD_DIR

What is expected of a filtered feed is worked out here, from the calls that were made, by a model of a few lines.
"""
import json
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

STALLED_EVENTS = 20000
BASE_MS = 1774000000000


def uuid7(rng, ms):
    """A version 7 UUID (RFC 9562 5.7) from a seeded generator."""
    value = (ms & ((1 << 48) - 1)) << 80 | 0x7 << 76 | rng.getrandbits(12) << 64 | 0x2 << 62 | rng.getrandbits(62)
    text = f"{value:032x}"
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"


class Peer:
    def __init__(self, path):
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65536)
        self.sock.settimeout(30)
        self.sock.connect(path)
        self.unpacker = msgpack.Unpacker(strict_map_key=False)
        self.msgid = 0
        self.changes = []
        self.ask("hello")

    def take(self):
        """The next message."""
        while True:
            for message in self.unpacker:
                return message
            data = self.sock.recv(65536)
            if not data:
                raise ConnectionError("closed")
            self.unpacker.feed(data)

    def call(self, method, params=None):
        self.msgid += 1
        self.sock.sendall(msgpack.packb([0, self.msgid, method, [params or {}]]))
        while True:
            message = self.take()
            if message[0] == 2:
                assert message[1] == "change", message
                self.changes.append(message[2][0])
                continue
            assert message[0] == 1 and message[1] == self.msgid, message
            return message[2], message[3]

    def ask(self, method, params=None):
        error, result = self.call(method, params)
        assert error is None, (method, error)
        return result

    def change(self):
        if self.changes:
            return self.changes.pop(0)
        message = self.take()
        assert message[0] == 2 and message[1] == "change" and len(message[2]) == 1, message
        return message[2][0]

    def until(self, seq):
        """Changes up to and with the one whose cursor is at seq."""
        got = []
        while not got or got[-1].get("cursor", {}).get("seq", -1) < seq:
            got.append(self.change())
        return got

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

    def end(self, how):
        self.process.send_signal(how)
        self.process.wait(60)
        self.process.stderr.close()

    def private_kib(self):
        """Memory that is the process's own; the stores' mapped pages are the system's."""
        with open(f"/proc/{self.process.pid}/status", encoding="utf-8") as status:
            return next(int(line.split()[1]) for line in status if line.startswith("RssAnon"))


class Log:
    """Records, and remembers what a follower of some teams must be told of each seq."""

    def __init__(self, peer, seed):
        self.peer, self.rng = peer, random.Random(seed)
        self.team, self.children, self.rows, self.at = {}, [], {}, BASE_MS

    def event(self, kind, patient, body, **more):
        self.at += 1000
        made = {"id": uuid7(self.rng, self.at), "kind": kind, "at": self.at, "body": body, **more}
        if patient:
            made["patient"] = patient
        return made

    def record(self, events):
        result = self.peer.ask("record", {"events": events, "want": "none"})
        for event, seq in zip(events, result["seqs"]):
            self.note(event, seq)
        return result["seqs"]

    def note(self, event, seq):
        child, before = event.get("patient"), None
        if child:
            before = self.team.get(child)
            if event["kind"] in ("patient.registered", "patient.moved"):
                self.team[child] = event["body"]["team"]
        self.rows[seq] = (event["id"], child, before, self.team.get(child))

    def register(self, team):
        child = uuid7(self.rng, self.at)
        self.children.append(child)
        return self.event("patient.registered", child, {"label": f"T-{len(self.children)}", "born": "2020-01-05",
                                                        "zone": "Europe/London", "team": team})

    def some_note(self):
        return self.event("note.written", self.rng.choice(self.children), {"text": "x" * self.rng.randrange(1, 300)})

    def expected(self, teams, after=0):
        """What follows `after`, as (seq, marks and events in order)."""
        told = []
        for seq in sorted(self.rows):
            event, child, before, team = self.rows[seq]
            if seq <= after:
                continue
            said = []
            was, now = before in teams, team in teams
            if child and before and now and not was:
                said.append(("arrived", child))
            if not child or was or now:
                said.append(("event", event))
            if child and was and not now:
                said.append(("left", child))
            if said:
                told.append((seq, said))
        return told

    def everything(self, after=0):
        return [(seq, [("event", self.rows[seq][0])]) for seq in sorted(self.rows) if seq > after]


def told_by(changes):
    """The same form from what came. A change without a cursor belongs to the next one that has it."""
    told, said = [], []
    for change in changes:
        assert "ended" not in change, change
        if "event" in change:
            said.append(("event", change["event"]["id"]))
        elif change.get("mark") in ("arrived", "left"):
            assert len(change["patients"]) == 1, change
            said.append((change["mark"], change["patients"][0]))
        if "cursor" in change:
            seq = change["cursor"]["seq"]
            if said:
                told.append((seq, said))
            said = []
    assert not said
    return told


def must(condition, what):
    if not condition:
        raise SystemExit(f"check_follow: {what}")


def same(got, wanted, what):
    if got != wanted:
        first = next((i for i, (a, b) in enumerate(zip(got, wanted)) if a != b), min(len(got), len(wanted)))
        raise SystemExit(f"check_follow: {what}: {len(got)} seqs came, {len(wanted)} should; the first difference is "
                         f"{got[first:first + 1]} where {wanted[first:first + 1]} should be")


def check_filters_and_places(path):
    """Every filter from the beginning, and from every place."""
    log = Log(Peer(path), 1)
    log.record([log.register("north"), log.register("south"), log.register("west")])
    for _ in range(120):
        choice = log.rng.random()
        if choice < 0.2:
            log.record([log.event("patient.moved", log.rng.choice(log.children),
                                  {"team": log.rng.choice(["north", "south", "west"])})])
        elif choice < 0.25:
            log.record([log.event("lot.recalled", None, {"lot": f"L{log.at}", "notice": "n", "urgency": "soon",
                                                         "action": "look"})])
        elif choice < 0.35:
            log.record([log.register(log.rng.choice(["north", "south", "west"]))])
        else:
            log.record([log.some_note() for _ in range(log.rng.randrange(1, 4))])
    end = max(log.rows)
    filters = [None, ["north"], ["south", "west"], ["north", "south", "west"], ["west", "west"]]
    for teams in filters:
        peer = Peer(path)
        start = peer.ask("follow", {"all": True, **({"teams": teams} if teams else {})})["cursor"]
        must(start["seq"] == 0, "`all` begins before the first event")
        changes = peer.until(end)
        wanted = log.expected(teams) if teams else log.everything()
        same(told_by(changes), wanted, f"the feed of {teams}")
        peer.close()
        for cursor in [start] + [c["cursor"] for c in changes if "cursor" in c][:: 1 if not teams else 8]:
            if cursor["seq"] == end:
                continue
            peer = Peer(path)
            peer.ask("follow", {"after": cursor, **({"teams": teams} if teams else {})})
            rest = log.expected(teams, cursor["seq"]) if teams else log.everything(cursor["seq"])
            same(told_by(peer.until(end)), rest, f"the feed of {teams} from {cursor['seq']}")
            peer.close()
    return log


def check_places_that_are_none(path, log):
    peer = Peer(path)
    good = peer.ask("follow", {"all": True})["cursor"]
    must(peer.call("follow", {})[0]["code"] == "conflict", "a second follow of one connection is refused")
    here = peer.ask("unfollow")["cursor"]
    peer.changes.clear()
    must(peer.ask("unfollow") == {}, "who does not follow is told so by an empty answer")
    for wrong in ({**here, "chain": "0" * 64}, {**here, "log": log.children[0]}, {**here, "seq": here["seq"] + 10**6},
                  {**good, "seq": 1}):
        error, _ = peer.call("follow", {"after": wrong})
        must(error and error["code"] == "diverged" and error["field"] == "after", f"{wrong} is not of this log: {error}")
    for bad in ({"log": here["log"], "seq": 1}, {**here, "chain": "0" * 63}, {**here, "chain": "A" * 64},
                {**here, "seq": -1}, {**here, "log": "x"}, 7, {**here, "more": 1}):
        error, _ = peer.call("follow", {"after": bad})
        must(error and error["code"] == "bad-value" and error["field"] == "after", f"{bad} is no cursor: {error}")
    must(peer.call("follow", {"teams": ["nort"]})[0]["code"] == "bad-value", "a misspelt team is refused")
    must(peer.call("follow", {"after": here, "all": True})[0]["code"] == "bad-value", "`all` or `after`")
    end = peer.ask("follow", {})["cursor"]
    must(end["seq"] == max(log.rows), "without a place it begins at the end")
    log.record([log.some_note()])
    same(told_by(peer.until(max(log.rows))), log.everything(end["seq"]), "what comes after the end")
    peer.close()


def check_scanned(path, log):
    """A filtered feed advances while nothing in it is theirs."""
    log.record([log.register("quiet")])
    peer = Peer(path)
    start = peer.ask("follow", {"teams": ["quiet"]})["cursor"]
    log.record([log.event("note.written", log.children[0], {"text": "elsewhere"}) for _ in range(50)])
    change = peer.change()
    must(change["mark"] == "scanned-to" and start["seq"] < change["cursor"]["seq"] <= max(log.rows),
         f"a mark tells how far the feed is: {change}")
    other = Peer(path)
    other.ask("follow", {"after": change["cursor"], "teams": ["quiet"]})
    other.close()
    peer.close()


def check_statuses(path, log):
    peer = Peer(path)
    peer.ask("follow", {"what": ["statuses"], "teams": ["quiet"]})
    quiet = log.children[-1]
    log.record([log.event("weight.measured", quiet, {"weight_kg": 12}), log.some_note()])
    status = peer.change()["status"]
    must(status["patient"] == quiet and status["team"] == "quiet", "the status of the child that the event is about")
    must("cursor" in peer.change(), "and then the place that covers it")
    log.record([log.event("lot.recalled", None, {"lot": "S", "notice": "n", "urgency": "soon", "action": "look"})])
    while (change := peer.change()).get("mark") == "scanned-to":
        pass
    must(change == {"mark": "reset"}, f"a recall may change any status: {change}")
    peer.close()


def is_sanitized(program):
    """A sanitizer keeps freed memory for a while: what the process holds then says nothing."""
    with open(program, "rb") as file:
        return b"__asan_init" in file.read()


def check_stalled(program, daemon, log):
    """Who stops reading costs its buffers and nothing else, and then gets everything."""
    def load():
        for _ in range(STALLED_EVENTS // 1000):
            log.record([log.some_note() for _ in range(1000)])

    load()  # the writer's own memory has grown to what it needs
    before = daemon.private_kib()
    peer = Peer(daemon.path)
    start = peer.ask("follow", {})["cursor"]
    load()
    grown = daemon.private_kib() - before
    must(grown < 2048 or is_sanitized(program), f"a follower that did not read made the server grow by {grown} KiB")
    same(told_by(peer.until(max(log.rows))), log.everything(start["seq"]), "what a stopped follower gets in the end")
    peer.close()
    return grown


def check_killed(program, store, daemon, log):
    """kill -9 while one follows and one writes: from its last cursor it gets the rest, each once."""
    told, cursor = [], Peer(daemon.path).ask("follow", {})["cursor"]
    start = cursor["seq"]
    for round_number in range(6):
        peer = Peer(daemon.path)
        peer.ask("follow", {"after": cursor})
        for _ in range(log.rng.randrange(1, 6)):
            log.record([log.some_note() for _ in range(log.rng.randrange(1, 300))])
        for _ in range(log.rng.randrange(0, 200)):
            change = peer.change()
            told += told_by([change])
            cursor = change["cursor"]
        daemon.end(signal.SIGKILL if round_number % 2 else signal.SIGTERM)
        peer.close()
        daemon = Daemon(program, store)
        log.peer = Peer(daemon.path)
    peer = Peer(daemon.path)
    while peer.call("follow", {"after": cursor})[0]:
        time.sleep(0.02)  # `rebuilding` for a moment
    if cursor["seq"] < max(log.rows):
        told += told_by(peer.until(max(log.rows)))
    same(told, log.everything(start), "what was followed over kills")
    peer.close()
    return daemon


class Command:
    """`betony follow --ndjson`, writing to a file as a person would let it."""

    def __init__(self, program, daemon_path, output, *flags):
        self.output = output
        self.file = open(output, "ab")
        self.process = subprocess.Popen([program, "follow", "--connect", "unix:" + daemon_path, "--ndjson", *flags],
                                        stdout=self.file, stderr=subprocess.DEVNULL)

    def until(self, seq):
        end = time.monotonic() + 60
        while time.monotonic() < end:
            changes = self.changes()
            if changes and changes[-1]["cursor"]["seq"] >= seq:
                return changes
            must(self.process.poll() is None, "the command ended by itself")
            time.sleep(0.02)
        raise SystemExit("check_follow: the command line did not show all in a minute")

    def changes(self):
        with open(self.output, "rb") as file:
            whole = file.read().rpartition(b"\n")[0]
        return [json.loads(line) for line in whole.splitlines()]

    def end(self):
        self.process.send_signal(signal.SIGINT)
        self.process.wait(30)
        self.file.close()


def check_command(program, command, store, daemon, log):
    """The command line goes on over a server that was killed, and by its own file."""
    first, second = os.path.join(store, "first"), os.path.join(store, "second")
    start = max(log.rows)
    begun = Command(command, daemon.path, first)
    begun.until(start)
    log.record([log.some_note() for _ in range(50)])
    begun.until(max(log.rows))
    daemon.end(signal.SIGKILL)
    daemon = Daemon(program, store)
    log.peer = Peer(daemon.path)
    log.record([log.some_note() for _ in range(50)])
    same(told_by(begun.until(max(log.rows))), log.everything(start), "what the command line showed over a kill")
    begun.end()
    end = max(log.rows)
    log.record([log.some_note() for _ in range(20)])
    again = Command(command, daemon.path, second, "--after", first)
    same(told_by(again.until(max(log.rows))), log.everything(end), "what it showed after the place in its file")
    again.end()
    return daemon


def main():
    program = os.path.join(sys.argv[2], "bin", "betonyd")
    store = tempfile.mkdtemp(prefix="betony-follow-")
    daemon = Daemon(program, store)
    try:
        log = check_filters_and_places(daemon.path)
        check_places_that_are_none(daemon.path, log)
        check_scanned(daemon.path, log)
        check_statuses(daemon.path, log)
        grown = check_stalled(program, daemon, log)
        daemon = check_killed(program, store, daemon, log)
        daemon = check_command(program, os.path.join(sys.argv[2], "bin", "betony"), store, daemon, log)
        daemon.end(signal.SIGTERM)
        must(daemon.process.returncode == 0, "it stopped with an error")
        subprocess.run([program, "verify", "--store", store], check=True, stdout=subprocess.DEVNULL)
    finally:
        if daemon.process.poll() is None:
            daemon.end(signal.SIGKILL)
        shutil.rmtree(store)
    print(f"follow: {len(log.rows)} events; a stopped follower of {STALLED_EVENTS} cost {grown} KiB")


if __name__ == "__main__":
    main()
