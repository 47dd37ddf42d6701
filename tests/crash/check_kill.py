#!/usr/bin/env python3
"""kill -9 at random points under load: nothing acknowledged is lost, no call is half there, `verify` passes.

Usage: check_kill.py SOURCE_DIR BUILD_DIR [--rounds N] [--seed S]

Each round starts the daemon on one store, lets several callers record at once, and kills it with SIGKILL after a
random few milliseconds. Then:
  1. `betonyd verify` walks the chain, refolds every child and compares every derived row;
  2. the next start gets every call of the last round again, same ids: a call that was acknowledged must come back as
     repeated, whole; one that was not must be there whole or not at all.
SIGKILL never tests fsync; the store's own tests do that with failing syncs.
"""
import argparse
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time

import msgpack

CALLERS = 4
ROUNDS_PER_STORE = 25


def uuid7(rng, ms):
    """A version 7 UUID (RFC 9562 5.7) from a seeded generator."""
    value = (ms & ((1 << 48) - 1)) << 80 | 0x7 << 76 | rng.getrandbits(12) << 64 | 0x2 << 62 | rng.getrandbits(62)
    text = f"{value:032x}"
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"


class Caller:
    """One connection; a call is a list of events with ids of our own."""

    def __init__(self, path):
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(30)
        self.sock.connect(path)
        self.unpacker = msgpack.Unpacker(strict_map_key=False)
        self.msgid = 0

    def call(self, method, params):
        self.msgid += 1
        self.sock.sendall(msgpack.packb([0, self.msgid, method, [params]]))
        while True:
            for message in self.unpacker:
                assert message[0] == 1 and message[1] == self.msgid, message
                return message[2], message[3]
            data = self.sock.recv(65536)
            if not data:
                raise ConnectionError("closed")
            self.unpacker.feed(data)


class Daemon:
    def __init__(self, program, store):
        self.path = os.path.join(store, "s")
        self.process = subprocess.Popen([program, "run", "--store", store, "--listen", "none", "--socket", self.path],
                                        stderr=subprocess.PIPE, stdin=subprocess.DEVNULL)
        self.lines = []
        for raw in self.process.stderr:
            self.lines.append(raw.decode())
            if "ready" in self.lines[-1]:
                return
        raise SystemExit("the daemon did not become ready:\n" + "".join(self.lines))

    def kill(self):
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        self.process.stderr.close()

    def stop(self):
        self.process.terminate()
        rest = self.process.stderr.read().decode()
        code = self.process.wait()
        self.process.stderr.close()
        assert code == 0, f"exit {code} on SIGTERM:\n{rest}"


class Load:
    """What one caller sends; seeded, and remembered until the store is put away."""

    def __init__(self, rng, children):
        self.rng, self.children, self.held = rng, children, []

    def event(self, now):
        rng, child = self.rng, self.rng.choice(self.children)
        at = now - rng.randrange(0, 40 * 86400000) if rng.random() < 0.3 else now - rng.randrange(0, 1000)
        event = {"id": uuid7(rng, now), "patient": child, "at": at, "source": "seen"}
        pick = rng.random()
        if pick < 0.5:
            event.update(kind="balloon.checked", body={"withdrawn_ml": rng.choice([5, 4.5, 4, 3.5, 1]), "filled_ml": 5,
                                                       "look": rng.choice(["clear", "cloudy"])})
        elif pick < 0.7:
            event.update(kind="site.checked", body={"redness": rng.choice(["none", "pink", "red"]), "pain": "none"})
        elif pick < 0.8:
            event.update(kind="tube.out", body={"trained_present": "no"})
        elif pick < 0.9:
            event.update(kind="device.placed", body={"retention": "balloon", "profile": "low", "tip": "stomach", "french_fr": 14,
                                                     "balloon_ml": 5, "why": "fell-out", "place": "hospital",
                                                     "placed_by": "surgeon", "position": "imaging"})
        elif pick < 0.96 and self.held:
            held = [e for e in rng.choice(self.held)[0] if e["kind"] in ("site.checked", "balloon.checked")]
            if held:
                event.update(kind="event.withdrawn", patient=held[0]["patient"], body={"event": held[0]["id"], "reason": "typed twice"})
                return event
            event.update(kind="note.written", body={"text": "nothing new"})
        elif pick < 0.98:
            del event["patient"], event["source"]
            event.update(kind="policy.adopted", body={"values": {"balloon-check-days": rng.choice([6, 7, 8])}, "approved_by": "clinical lead"})
        else:
            event.update(kind="note.written", body={"text": "nothing new"})
        return event

    def make_call(self):
        now = int(time.time() * 1000)
        return [self.event(now) for _ in range(self.rng.choice([1, 1, 2, 5]))]


def record(caller, events):
    """As a patient caller does it: `rebuilding` and `busy` say when to ask again."""
    until = time.monotonic() + 60
    while True:
        error, result = caller.call("record", {"events": events})
        if error is None or error["code"] not in ("rebuilding", "busy") or time.monotonic() > until:
            return error, result
        time.sleep(min(error.get("retry_ms", 50), 50) / 1000)


def run_caller(path, load, failures):
    try:
        caller = Caller(path)
    except OSError:
        return
    while True:
        events = load.make_call()
        entry = [events, False, False]  # events, acknowledged, refused
        load.held.append(entry)
        try:
            error, _ = record(caller, events)
        except (OSError, ConnectionError):
            return
        if error is None:
            entry[1] = True
        elif error["code"] in ("conflict", "unknown-patient"):
            load.held.pop()
        else:
            failures.append(f"record answered {error}")
            return


def check_held(path, loads, failures):
    """Sends every call of the last round again: acknowledged ones whole, others whole or not at all."""
    caller = Caller(path)
    acknowledged = 0
    for load in loads:
        for entry in load.held:
            events, sure, _ = entry
            error, result = record(caller, events)
            if error is not None:
                if sure:
                    failures.append(f"an acknowledged call is now refused: {error}")
                elif error["code"] != "conflict":
                    failures.append(f"an unanswered call is now refused: {error}")
                continue
            repeated = set(result["repeated"])
            mine = {e["id"] for e in events}
            if sure and repeated != mine:
                failures.append(f"acknowledged, then lost: {sorted(mine - repeated)}")
            if repeated and repeated != mine:
                failures.append(f"half a call was stored: {len(repeated)} of {len(mine)}")
            acknowledged += sure
        load.held = load.held[-1:] if load.held and load.held[-1][1] else []
    return acknowledged


def register(path, rng, count):
    caller = Caller(path)
    now = int(time.time() * 1000)
    children = []
    for n in range(count):
        child = uuid7(rng, now)
        children.append(child)
        error, _ = record(caller, [
            {"id": uuid7(rng, now), "kind": "patient.registered", "patient": child, "at": now - 90 * 86400000,
             "body": {"label": f"K-{n:04d}", "born": "2020-04-02", "zone": "Europe/London", "team": f"team-{n % 3}"}},
            {"id": uuid7(rng, now), "kind": "device.placed", "patient": child, "at": now - 80 * 86400000,
             "body": {"retention": "balloon", "profile": "low", "tip": "stomach", "french_fr": 14, "balloon_ml": 5, "why": "scheduled",
                      "place": "hospital", "placed_by": "surgeon", "position": "imaging"}}])
        assert error is None, error
    return children


def verify(program, store):
    done = subprocess.run([program, "verify", "--store", store], capture_output=True, text=True, timeout=120, check=False)
    return None if done.returncode == 0 else done.stdout + done.stderr


def one_round(program, store, rng, loads, failures):
    daemon = Daemon(program, store)
    acknowledged = check_held(daemon.path, loads, failures)
    threads = [threading.Thread(target=run_caller, args=(daemon.path, load, failures)) for load in loads]
    for thread in threads:
        thread.start()
    time.sleep(rng.uniform(0.005, 0.12))  # the random point; nothing is waited for here
    daemon.kill()
    for thread in threads:
        thread.join()
    wrong = verify(program, store)
    if wrong:
        failures.append("verify after kill: " + wrong)
    return acknowledged


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("source")
    parser.add_argument("build")
    parser.add_argument("--rounds", type=int, default=40 if os.environ.get("BETONY_TEST_SHORT") else 200)
    parser.add_argument("--seed", type=int, default=random.randrange(1 << 30))
    arguments = parser.parse_args()
    program = os.path.join(arguments.build, "bin", "betonyd")
    rng = random.Random(arguments.seed)
    print(f"seed {arguments.seed}")
    failures, acknowledged, rounds = [], 0, 0
    while rounds < arguments.rounds and not failures:
        store = tempfile.mkdtemp(prefix="betony-kill-")
        daemon = Daemon(program, store)
        children = register(daemon.path, rng, 30)
        daemon.stop()
        loads = [Load(random.Random(rng.getrandbits(64)), children) for _ in range(CALLERS)]
        for _ in range(min(ROUNDS_PER_STORE, arguments.rounds - rounds)):
            acknowledged += one_round(program, store, rng, loads, failures)
            rounds += 1
            if failures:
                print(f"round {rounds}, store kept at {store}")
                break
        else:
            daemon = Daemon(program, store)
            acknowledged += check_held(daemon.path, loads, failures)
            daemon.stop()
            wrong = verify(program, store)
            if wrong:
                failures.append("verify after a clean stop: " + wrong)
            if not failures:
                shutil.rmtree(store)
    for failure in failures[:10]:
        print("FAILED:", failure)
    if acknowledged < rounds:
        failures.append(f"only {acknowledged} acknowledged calls in {rounds} kills: the load did not load")
        print("FAILED:", failures[-1])
    print(f"{rounds} kills, {acknowledged} acknowledged calls found again, {len(failures)} failures")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
