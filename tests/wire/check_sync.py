#!/usr/bin/env python3
"""A server and laptops as real processes: cut, killed, moved, restored, cloned, promoted; in the end they hold the same.

Usage: check_sync.py SOURCE_DIR BUILD_DIR [--seed S] [--kills N] [--case NAME]

Every case runs in a world of its own and ends with `betonyd verify` on every store. What is expected of each laptop: for
every record of its teams the same digest as the server's and none besides, the same pages, and on the server every event
that was acknowledged to anybody.
"""
import argparse
import os
import random
import shutil
import sys
import threading
import time

sys.dont_write_bytecode = True  # the tree of sources stays as it is
from sync_world import DAY_MS, PATIENCE_S, Failed, Peer, expect, now_ms, run_case, until, uuid7

TEAMS = ("mill-lane", "north-shore", "fell-side")


# --- laptops cut, healed and killed while everybody writes ----------------------------------------------------------


class Writer(threading.Thread):
    """Records at one node as fast as it is answered, over kills; remembers what was acknowledged."""

    def __init__(self, world, node, children):
        super().__init__()
        self.world, self.node, self.children = world, node, children
        self.rng = random.Random(world.rng.getrandbits(64))
        self.stop, self.wrong = threading.Event(), None
        self.acknowledged, self.refused, self.last = [], 0, None

    def event(self):
        rng, at = self.rng, now_ms() - self.rng.choice([0, 0, 500, self.rng.randrange(30 * DAY_MS)])
        made = {"id": uuid7(rng, now_ms()), "patient": rng.choice(self.children), "at": at, "source": "seen"}
        kind, body = rng.choice([
            ("balloon.checked", {"withdrawn_ml": rng.choice([5, 4.5, 3.5]), "filled_ml": 5, "look": "clear"}),
            ("site.checked", {"redness": rng.choice(["none", "pink", "red"]), "pain": "none"}),
            ("note.written", {"text": "x" * rng.randrange(1, 400)}),
            ("weight.measured", {"weight_kg": rng.randrange(5, 30)}),
            ("care.done", {"items": ["site-care"]}),
            ("patient.revised", {"feeding": rng.choice(["bolus", "both"])}),
        ])
        pick = rng.random()
        if pick < 0.02:
            kind, body = "patient.moved", {"team": rng.choice(TEAMS)}
        elif pick < 0.022:  # few: so many records may be one child, and no more
            made["patient"], into = rng.sample(self.children, 2)
            kind, body = "patient.merged", {"into": into}
        elif pick < 0.06 and self.last:
            made["patient"] = self.last["patient"]
            kind, body = "event.withdrawn", {"event": self.last["id"], "reason": "typed twice"}
        elif pick < 0.07:
            del made["patient"], made["source"]
            kind, body = "policy.adopted", {"values": {"balloon-check-days": rng.choice([6, 7, 8])}, "approved_by": "lead"}
        made.update(kind=kind, body=body)
        return made

    def call(self):
        if self.rng.random() < 0.05:
            first = self.world.registration(self.rng.choice((self.node.teams or TEAMS[0]).split(",")))
            self.children.append(first["patient"])
            return [first, self.world.device(first["patient"])]
        return [self.event() for _ in range(self.rng.choice([1, 1, 2, 5]))]

    def note(self, events, error):
        if error is None:
            self.acknowledged += [e["id"] for e in events]
            self.last = events[-1] if events[-1]["kind"] in ("note.written", "site.checked") else self.last
        elif error["code"] not in ("rebuilding", "busy", "stopping", "conflict", "unknown-patient", "not-allowed"):
            raise Failed(f"record at {self.node.name} answered {error} to {events}")
        else:
            self.refused += 1

    def run(self):
        try:
            while not self.stop.is_set():
                try:
                    peer = Peer(self.node.path)
                    while not self.stop.is_set():
                        events = self.call()
                        error, _ = peer.call("record", {"events": events, "want": "none"})
                        self.note(events, error)
                        time.sleep(0.002)  # two cores, and the sync is to keep up
                except OSError:
                    time.sleep(0.02)  # it was killed; the main thread starts it again
        except Exception as wrong:  # told by the main thread
            self.wrong = wrong


def something_happens(world, rng, nodes):
    """One blow to the network or to one of the processes; what it was."""
    pick, node = rng.random(), rng.choice(nodes)
    proxy = rng.choice(world.proxies)
    proxy.budget = rng.choice([None, (1, 300), (1, 20000), (1, 400000)])
    if pick < 0.4:
        node.kill()
        time.sleep(rng.choice([0, 0, 0.1]))
        node.start()
        return "kill"
    if pick < 0.6:
        proxy.cut()
        return "cut"
    if pick < 0.8:
        proxy.go(not proxy.up)
        return "away" if not proxy.up else "back"
    return "budget"


def chaos(world, kills):
    """Two laptops with overlapping teams and a server, all writing, under blows."""
    rng = world.rng
    children = [world.register(world.server, team, 8) for team in TEAMS]
    a, b = world.laptop("a", "mill-lane"), world.laptop("b", "mill-lane,north-shore")
    world.even()
    writers = [Writer(world, world.server, children[0] + children[1] + children[2]), Writer(world, a, children[0]),
               Writer(world, b, children[0] + children[1])]
    for writer in writers:
        writer.start()
    done = []
    try:
        while done.count("kill") < kills and not any(w.wrong for w in writers):
            time.sleep(rng.uniform(0.01, 0.25))  # the random moment; nothing is waited for here
            done.append(something_happens(world, rng, [world.server, a, b]))
    finally:
        for writer in writers:
            writer.stop.set()
        for writer in writers:
            writer.join()
    for writer in writers:
        if writer.wrong:
            raise writer.wrong
    for proxy in world.proxies:
        proxy.budget = None
        proxy.go(True)
    world.even(240)
    sent = [i for w in writers for i in w.acknowledged]
    for laptop in (a, b):
        expect(laptop.sync_state()["refused"] == 0, f"{laptop.name} was refused: {laptop.ask('refused')}")
    lost = set(sent) - world.server.holds(sent)
    expect(not lost, f"{len(lost)} of {len(sent)} acknowledged events are not on the server: {sorted(lost)[:5]}")
    expect(len(sent) > 20 * kills and all(w.acknowledged for w in writers), f"only {len(sent)} events: no load")
    pages = world.statuses_are_even()
    cuts = sum(p.cut_count for p in world.proxies)
    return f"{len(sent)} events acknowledged, {pages} pages the same, {done.count('kill')} kills, " \
           f"{done.count('cut') + done.count('away') + cuts} cuts, {sum(p.made for p in world.proxies)} connections"


# --- scope --------------------------------------------------------------------------------------------------------------


def move(world):
    """A child moves to another team, is written about offline on its old laptop, and comes back."""
    child, stays = world.register(world.server, "mill-lane", 2)
    a, b = world.laptop("a", "mill-lane"), world.laptop("b", "north-shore")
    world.server.record(*[world.note(child, f"visit {n}") for n in range(30)])
    world.even()
    expect(a.has_child(child) and not b.has_child(child), "before the move the child is on the wrong laptop")
    a.proxy.go(False)
    late = world.note(child, "written offline, after the move")
    world.server.record(world.event("patient.moved", child, {"team": "north-shore"}))
    a.record(late)
    a.record(world.note(stays))
    until("the child arrives at b", PATIENCE_S, lambda: b.has_child(child) or "not there")
    expect(a.has_child(child), "what is not yet known cannot be acted upon")
    a.proxy.go(True)
    world.even()
    expect(world.server.holds([late["id"]]) and b.holds([late["id"]]), "the note written offline is lost")
    expect(not a.has_child(child) and a.has_child(stays), "the child that moved is still on its old laptop")
    left = a.sync_state()["left"]
    expect([row["patient"] for row in left] == [child] and left[0]["events"] >= 32, f"who left: {left}")
    a.kill()
    a.start()
    expect(not a.has_child(child), "it came back after a kill")
    b.record(world.event("patient.moved", child, {"team": "mill-lane"}))
    until("the child comes back to a", PATIENCE_S, lambda: a.has_child(child) or "not there")
    world.even()
    expect(len(a.history(child)) == len(world.server.history(child)) and not b.has_child(child), "it came back in part")
    return f"{world.statuses_are_even()} pages the same"


def other_teams(world):
    """A laptop is given other teams while it has not sent all; then half way through that, the old ones again."""
    mill, north = world.register(world.server, "mill-lane", 12), world.register(world.server, "north-shore", 12)
    a = world.laptop("a", "mill-lane")
    world.even()
    a.proxy.go(False)
    sent = [world.note(child, "offline, for the old team") for child in mill]
    a.record(*sent)
    a.stop()
    a.teams = "north-shore"
    a.start()
    new, = world.register(a, "north-shore")
    sent.append(world.note(new, "offline, for the new team"))
    a.record(sent[-1])
    a.proxy.go(True)
    world.even()
    ids = {event["id"] for event in sent}
    expect(a.sync_state()["refused"] == 0, f"what waited was refused: {a.ask('refused')}")
    expect(world.server.holds(ids) == ids and world.server.has_child(new), "what waited for the old team is lost")
    expect(a.has_child(new) and a.has_child(north[0]) and not a.has_child(mill[0]), "not the new teams' children")
    for cut in (1500, 2500, 3500, 4500, 6000, 8000):
        a.stop()
        a.teams = "mill-lane" if a.teams == "north-shore" else "north-shore"
        a.proxy.budget = (cut, cut + 1)
        made = a.proxy.made
        a.start()
        until("it was cut, or was done before", PATIENCE_S, lambda made=made: a.proxy.made > made + 1 or
              a.sync_state()["upstream"]["state"] == "current" or "not yet")
    a.stop()
    a.proxy.budget = None
    a.teams = "north-shore"
    a.start()
    world.even()
    return f"{len(sent)} events that waited have arrived; {world.statuses_are_even()} pages the same"


def erasure(world):
    """A record is erased at the server; a laptop that was away writes about the child meanwhile."""
    child, stays = world.register(world.server, "mill-lane", 2)
    a = world.laptop("a", "mill-lane")
    standby = world.laptop("standby", "*")
    world.even()
    backup = os.path.join(world.dir, "backup")
    done = world.betonyd("backup", "--store", world.server.store, "--to", backup)
    expect(done.returncode == 0, done.stderr)
    a.proxy.go(False)
    offline = [world.note(child, "written in vain"), world.note(stays, "kept")]
    a.record(offline[0])
    a.record(offline[1])
    erased = world.event("patient.erased", child, {"reason": "court order", "approved_by": "steward"})
    world.server.record(erased)
    a.proxy.go(True)
    world.even()
    for node in world.nodes:
        expect(not node.has_child(child), f"{node.name} still has the child")
        expect(not node.holds([offline[0]["id"]]), f"{node.name} holds an event of the erased child")
        expect(node.holds([offline[1]["id"]]), f"{node.name} lost an event of another child")
        error, _ = node.call("record", {"events": [world.note(child)]})
        expect(error, f"{node.name} records about an erased child")
        error, _ = node.call("record", {"events": [world.registration("mill-lane", child)]})
        expect(error, f"{node.name} registers an erased child again")
    expect(a.sync_state()["refused"] == 0 and a.ask("refused")["rows"] == [], "something of the erased child is kept as refused")
    world.even()
    before = in_backup(world, backup, child)
    expect(before == 2, f"the backup made before the erasure holds {before} events of the child")
    old = world.add("old", "*")  # and what becomes of it when that backup is put back
    restore(world, backup, old)
    old.start()
    world.even()
    expect(not old.has_child(child), "a store from before the erasure keeps the child")
    world.server.kill()  # the server itself put back to before it: whoever knows of the erasure tells it
    shutil.rmtree(world.server.store)
    restore(world, backup, world.server)
    world.server.start()
    world.even()
    for node in world.nodes:
        expect(not node.runs() or not node.has_child(child), f"with the old backup the child is back at {node.name}")
    return f"{world.statuses_are_even()} pages the same; a backup from before still holds {before} events of the child"


def restore(world, backup, node):
    done = world.betonyd("restore", "--from", backup, "--store", node.store)
    expect(done.returncode == 0, done.stderr)


def in_backup(world, backup, child):
    """How many events of a child a backup holds: it is restored, and started by itself."""
    drill = world.add("drill")
    restore(world, backup, drill)
    targets = [proxy.target for proxy in world.proxies]
    drill.start()
    for proxy, target in zip(world.proxies, targets):
        proxy.target = target  # nobody syncs with it
    count = len(drill.history(child))
    drill.stop()
    return count


# --- refused, replaced ------------------------------------------------------------------------------------------------------


def refused(world):
    """What the server does not take stays on the laptop, out of its pages, until a person has looked."""
    world.register(world.server, "mill-lane", 2)
    a = world.laptop("a", "mill-lane")
    world.even()
    first = world.registration("north-shore")
    child = first["patient"]
    a.record(first, world.device(child))  # not this laptop's team
    note = world.note(child)
    a.record(note)
    until("all three are refused", PATIENCE_S, lambda: a.sync_state()["refused"] == 3 or a.sync_state())
    world.even()
    rows = a.ask("refused")["rows"]
    expect({r["event"] for r in rows} >= {first["id"], note["id"]} and all(r["message"] and r["code"] for r in rows), rows)
    expect(not a.has_child(child) and not a.holds([note["id"]]), "what was refused counts on the laptop")
    expect(not world.server.has_child(child), "what was refused is on the server")
    done = world.betony(a, "refused")
    expect(done.returncode == 0 and first["id"] in done.stdout and "does not serve the team" in done.stdout, done)
    done = world.betony(a, "sync")
    expect(done.returncode == 1 and "3 events; `betony refused'" in done.stdout, done)
    a.kill()
    a.start()
    expect(a.sync_state()["refused"] == 3, "the list is lost with a kill")
    done = world.betony(a, "refused", "--drop", note["id"])
    expect(done.returncode == 0, done)
    expect(world.betony(a, "refused", "--drop", note["id"]).returncode == 65, "it is off the list twice")
    a.stop()
    a.teams = "mill-lane,north-shore"  # the reason is gone
    a.start()
    for row in sorted(a.ask("refused")["rows"], key=lambda r: r["kind"] != "patient.registered"):
        a.ask("refused", {"again": row["event"]})
    until("it is taken", PATIENCE_S, lambda: world.server.has_child(child) or a.sync_state())
    world.even()
    expect(a.has_child(child) and a.sync_state()["refused"] == 0, "what was sent again is not there")
    until("sync says that all is across", 30, lambda: world.betony(a, "sync").returncode == 0 or world.betony(a, "sync"))
    return f"{world.statuses_are_even()} pages the same"


def same_id(world):
    """The same id with other content: the server's stays, the laptop's goes on under a new one and is shown."""
    child, = world.register(world.server, "mill-lane")
    a = world.laptop("a", "mill-lane")
    world.even()
    a.proxy.go(False)
    theirs, ours = world.note(child, "the server's"), world.note(child, "the laptop's")
    ours["id"] = theirs["id"]
    world.server.record(theirs)
    a.record(ours)
    a.proxy.go(True)
    world.even()
    rows = a.sync_state()["replaced"]
    expect(len(rows) == 1 and rows[0]["event"] == theirs["id"] and rows[0]["new_event"], rows)
    texts = {row["id"]: row["body"].get("text") for row in world.server.history(child)}
    expect(texts[theirs["id"]] == "the server's" and texts[rows[0]["new_event"]] == "the laptop's", texts)
    return f"{world.statuses_are_even()} pages the same"


def two_nurses(world):
    """Both offline, two laptops register the same child and change one field of another; a merge joins, everywhere."""
    other, = world.register(world.server, "mill-lane")
    a, b = world.laptop("a", "mill-lane"), world.laptop("b", "mill-lane")
    world.even()
    for node in (a, b):
        node.proxy.go(False)
    children = []
    for node in (a, b):
        first = world.registration("mill-lane")
        first["body"]["identifiers"] = [{"system": "hospital", "value": "H-17"}]
        node.record(first, world.device(first["patient"]))
        node.record(world.note(first["patient"], f"seen by {node.name}"))
        children.append(first["patient"])
    now = now_ms()
    b.record(world.event("patient.revised", other, {"address": "later"}, at=now - 1000))
    a.record(world.event("patient.revised", other, {"address": "earlier", "access": "side door"}, at=now - 60000))

    def away():
        done = world.betony(a, "sync")
        return done.returncode == 1 and "no contact" in done.stdout and "4 events recorded here" in done.stdout or done

    until("betony sync says what waits", 30, away)
    for node in (b, a):  # the later edit comes in first
        node.proxy.go(True)
        until(f"{node.name} is heard", PATIENCE_S, lambda n=node: n.sync_state()["upstream"]["out"] == 0 or n.sync_state())
    world.even()
    for node in world.nodes:
        rows = node.ask("patients", {"doubles": True})["rows"]
        expect({row["patient"] for row in rows} == set(children), f"doubles at {node.name}: {rows}")
        record = node.ask("patient", {"patient": other})["record"]
        expect((record["address"], record["access"]) == ("later", "side door"), f"record at {node.name}: {record}")
        expect([row["outdone"] for row in node.history(other) if row.get("outdone")] == [["address"]], "nothing is outdone")
    a.record(world.event("patient.merged", children[0], {"into": children[1]}))
    until("the merge is at b", PATIENCE_S, lambda: len(b.history(children[0])) == 7 or len(b.history(children[0])))
    world.even()
    expect(all(node.ask("patients", {"doubles": True})["rows"] == [] for node in world.nodes), "they are doubles still")
    done = world.betony(world.server, "nodes")
    ids = [node.sync_state()["node"] for node in (a, b)]
    expect(done.returncode == 0 and all(i in done.stdout for i in ids) and "mill-lane" in done.stdout, done)
    return f"{world.statuses_are_even()} pages the same"


# --- put back ---------------------------------------------------------------------------------------------------------------


def received(node, child):
    return {row["id"]: row["received_at"] for row in node.history(child)}


def put_back(world, announced):
    """The server is put back to an older state, by restore or by copying its folder; everything since comes back."""
    child, other = world.register(world.server, "mill-lane", 2)
    a, b = world.laptop("a", "mill-lane"), world.laptop("b", "mill-lane,north-shore")
    a.record(world.note(child, "before the backup"))
    world.even()
    old = os.path.join(world.dir, "old")
    if announced:
        done = world.betonyd("backup", "--store", world.server.store, "--to", old)
        expect(done.returncode == 0, done.stderr)
    else:
        world.server.stop()
        shutil.copytree(world.server.store, old)
        world.server.start()
    world.server.record(*[world.note(child, f"at the server {n}") for n in range(20)])
    a.record(*[world.note(child, f"at a {n}") for n in range(20)])
    later = world.register(b, "north-shore")[0]
    world.even()
    before, before_later = received(world.server, child), received(world.server, later)
    a.proxy.go(False)
    a.record(world.note(other, "offline"))
    world.server.kill()
    shutil.rmtree(world.server.store)
    if announced:
        restore(world, old, world.server)
    else:
        shutil.move(old, world.server.store)
    world.server.start()
    # events of the restored server's own new life, at the seqs that the laptops know otherwise
    world.server.record(*[world.note(other, f"after {n}") for n in range(45)])
    a.proxy.go(True)
    world.even()
    expect(received(world.server, child) == before, "what came back has not its first received_at")
    expect(received(world.server, later) == before_later, "a child registered since has not come back as it was")
    return f"{len(before) + len(before_later)} events came back as they were; {world.statuses_are_even()} pages the same"


def laptop_put_back(world):
    """A laptop's folder is put back to an older state: a new node id, and everything is there again."""
    child, = world.register(world.server, "mill-lane")
    a = world.laptop("a", "mill-lane")
    world.even()
    a.stop()
    shutil.copytree(a.store, a.store + "-old")
    a.start()
    events = [world.note(child, f"of a {n}") for n in range(10)]
    a.record(*events)
    world.even()
    node = a.sync_state()["node"]
    a.kill()
    shutil.rmtree(a.store)
    shutil.move(a.store + "-old", a.store)
    a.start()
    again = [world.note(child, f"of a, put back {n}") for n in range(15)]
    a.record(*again)
    world.even()
    ids = [e["id"] for e in events + again]
    expect(a.holds(ids) == set(ids) == world.server.holds(ids), "not all of both lives is there")
    expect(a.sync_state()["node"] != node, "the laptop that was put back goes by the same id")
    return f"{world.statuses_are_even()} pages the same"


def clone(world):
    """A laptop's folder is copied and both run: two nodes, nothing lost."""
    child, = world.register(world.server, "mill-lane")
    a = world.laptop("a", "mill-lane")
    world.even()
    a.stop()
    twin = world.add("twin", "mill-lane")
    shutil.copytree(a.store, twin.store)
    a.start()
    a.record(world.note(child, "of the first"))
    world.even()
    twin.start()
    twin.record(world.note(child, "of the twin"))
    a.record(world.note(child, "of the first again"))
    world.even()
    expect(len(world.server.history(child)) == 5, f"{len(world.server.history(child))} events, not 5")
    expect(a.sync_state()["node"] != twin.sync_state()["node"], "the two go by one id")
    return f"{world.statuses_are_even()} pages the same"


# --- a standby becomes the server ---------------------------------------------------------------------------------------------


def promotion(world):
    """As OPERATIONS.md has it: the server fails, the standby runs without an upstream, laptops are pointed at it; the old
    server, when it can be started again, becomes a standby and brings what only it had."""
    children = world.register(world.server, "mill-lane", 3) + world.register(world.server, "north-shore", 3)
    a, standby, old = world.laptop("a", "mill-lane"), world.laptop("standby", "*"), world.server
    sent = []
    for child in children:
        sent.append(world.note(child, "at the server"))
        old.record(sent[-1])
    sent.append(world.note(children[0], "at a"))
    a.record(sent[-1])
    world.even()
    a.proxy.go(False)
    standby.proxy.go(False)
    last = world.note(children[4], "at the server, a moment before it failed")
    old.record(last)
    sent.append(world.note(children[1], "at a, while there was no server"))
    a.record(sent[-1])
    old.kill()
    standby.stop()
    standby.teams, standby.proxy, old_proxy = None, None, standby.proxy
    world.server = standby
    standby.start()  # and with it the laptops' address leads there
    a.proxy.go(True)
    world.even()
    ids = [e["id"] for e in sent]
    expect(standby.holds(ids) == set(ids), "the new server has not everything")
    sent.append(world.note(children[2], "at the new server"))
    standby.record(sent[-1])
    until("what is new there reaches a", PATIENCE_S, lambda: a.holds([sent[-1]["id"]]) != set() or a.sync_state())
    expect(not standby.holds([last["id"]]), "the new server cannot have what only the old one had")
    old.teams, old.proxy = "*", old_proxy
    old_proxy.go(True)
    old.start()
    world.even()
    expect(standby.holds([last["id"]]), "what only the old server had has not come")
    return f"{len(sent) + 1} events there, {world.statuses_are_even()} pages the same"


def view_lost(world):
    """Power cuts: laptop and server lose what is worked out from their logs, with events to go both ways."""
    children = world.register(world.server, "mill-lane", 20)
    a = world.laptop("a", "mill-lane")
    world.even()
    for _ in range(2):
        a.proxy.go(False)
        notes = [[world.note(child, f"at {node.name}") for child in children] for node in (a, world.server)]
        a.record(*notes[0])
        world.server.record(world.event("patient.moved", children.pop(), {"team": "fell-side"}), *notes[1])
        for node in (a, world.server):
            node.kill()
            for name in os.listdir(node.store):
                if name.startswith("view-"):
                    shutil.rmtree(os.path.join(node.store, name))
        a.proxy.go(True)
        a.start()
        world.server.start()
        world.even()
        ids = [e["id"] for e in notes[0] + notes[1]]
        expect(world.server.holds(ids) == set(ids), "not all is on the server")
    return f"{world.statuses_are_even()} pages the same"


def teams(world):
    """A laptop is given other teams than before. What it had not sent about those it gives up goes out first."""
    mill, shore = world.register(world.server, "mill-lane", 2), world.register(world.server, "north-shore", 2)
    a = world.laptop("a", "mill-lane,north-shore")
    world.even()
    note = world.note(shore[0], "written offline, before the change")
    a.proxy.go(False)
    a.record(note)
    for now_held, gone in ((mill, shore), (shore, mill)):
        a.stop()
        a.teams = "mill-lane" if now_held is mill else "north-shore"
        a.proxy.go(True)
        a.start()
        world.even()
        expect(all(a.has_child(c) for c in now_held) and not any(a.has_child(c) for c in gone), f"{a.teams}: {a.digest()}")
    expect(a.ask("refused")["rows"] == [], f"what was written before the change was refused: {a.ask('refused')}")
    expect(world.server.holds([note["id"]]) and a.holds([note["id"]]), "what was written before the change is lost")
    return f"{world.statuses_are_even()} pages the same"


CASES = {
    "move": move, "erasure": erasure, "refused": refused, "same-id": same_id, "two-nurses": two_nurses,
    "server-restored": lambda world: put_back(world, True), "server-put-back": lambda world: put_back(world, False),
    "laptop-put-back": laptop_put_back, "clone": clone, "view-lost": view_lost, "teams": teams, "other-teams": other_teams,
    "promotion": promotion,
}


def main():
    short = bool(os.environ.get("BETONY_TEST_SHORT"))
    parser = argparse.ArgumentParser()
    parser.add_argument("source")
    parser.add_argument("build")
    parser.add_argument("--seed", type=int, default=random.randrange(1 << 30))
    parser.add_argument("--kills", type=int, default=10 if short else 40)
    parser.add_argument("--case", choices=["chaos", *CASES])
    arguments = parser.parse_args()
    print(f"seed {arguments.seed}", flush=True)
    program = os.path.join(arguments.build, "bin", "betonyd")
    cases = {"chaos": lambda world: chaos(world, arguments.kills), **CASES}
    for name, case in cases.items():
        if arguments.case not in (None, name):
            continue
        began = time.monotonic()
        try:
            said = run_case(program, random.Random(f"{arguments.seed} {name}"), name, case)
        except Failed as wrong:
            print(f"FAILED: {name}: {wrong}")
            return 1
        print(f"{name}: {said} ({time.monotonic() - began:.1f} s)", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
