#!/usr/bin/env python3
"""Backups under full load: each is restored into a fresh folder, verified, started, and holds all that was acknowledged.

Usage: check_backup.py SOURCE_DIR BUILD_DIR [--backups N] [--kills N] [--seed S]

Callers record on the Unix socket as fast as they are answered, all the time. Meanwhile, again and again:
  1. what was acknowledged so far is noted, `betonyd backup` makes a copy;
  2. `betonyd restore` makes a store of it; `betonyd verify` walks its log before and its rows after its first start;
  3. that store is started: another log, another node, as many events as the backup said; calls that were acknowledged
     before the backup began are sent again and must come back as repeated, whole.
Then backups are killed with SIGKILL at random moments: what has the backup's name restores and verifies, and what has
another name does not start and is either refused by restore or restored whole. At last a backup without room.
"""
import argparse
import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time

sys.dont_write_bytecode = True  # the tree of sources stays as it is
from check_kill import Caller, Daemon, Load, record, register

CALLERS = 4
BACKUPS_PER_STORE = 10
CHECKED_CALLS = 300
EX_NOINPUT, EX_IOERR, EX_NOPERM_TO_RUN = 66, 74, 78
BACKUP_LINE = re.compile(r"backup of (\d+) events, log ([0-9a-f-]{36}), chain ([0-9a-f]{64}) verified in (.*)\n")
RESTORE_LINE = re.compile(r"restored (\d+) events of log (\S{36}) as log (\S{36}), node (\S{36}), "
                          r"chain ([0-9a-f]{64}) verified in (.*)\n")


class Failed(Exception):
    pass


def expect(truth, what):
    if not truth:
        raise Failed(what)


class Loaded(threading.Thread):
    """One caller under a daemon that stays up: every answer is kept with the seqs it got."""

    def __init__(self, path, load):
        super().__init__()
        self.path, self.load, self.stop, self.wrong = path, load, threading.Event(), None
        self.acknowledged = []  # (events, highest seq); appended to by this thread alone

    def run(self):
        try:
            caller = Caller(self.path)
            while not self.stop.is_set():
                events = self.load.make_call()
                error, result = record(caller, events)
                if error is None:
                    self.acknowledged.append((events, max(result["seqs"])))
                    if self.load.rng.random() < 0.05:
                        self.load.held.append([events, True, False])  # something to withdraw
                elif error["code"] not in ("conflict", "unknown-patient"):
                    raise Failed(f"record answered {error}")
        except Exception as wrong:  # told by the main thread
            self.wrong = wrong


class World:
    """A daemon under load, and the folders of one store's backups."""

    def __init__(self, program, rng):
        self.program, self.rng = program, rng
        self.dir = tempfile.mkdtemp(prefix="betony-backup-")
        self.store = os.path.join(self.dir, "store")
        os.mkdir(self.store, 0o700)
        self.daemon = Daemon(program, self.store)
        children = register(self.daemon.path, rng, 20)
        self.callers = [Loaded(self.daemon.path, Load(random.Random(rng.getrandbits(64)), children))
                        for _ in range(CALLERS)]
        for caller in self.callers:
            caller.start()
        error, self.hello = Caller(self.daemon.path).call("hello", {"agent": "check_backup"})
        expect(error is None, error)

    def betonyd(self, *arguments, **more):
        return subprocess.run([self.program, *arguments], capture_output=True, text=True, timeout=120, check=False, **more)

    def acknowledged(self):
        return [call for caller in self.callers for call in caller.acknowledged]

    def path(self, name):
        return os.path.join(self.dir, name)

    def close(self):
        for caller in self.callers:
            caller.stop.set()
        for caller in self.callers:
            caller.join()
        self.daemon.stop()
        for caller in self.callers:
            if caller.wrong:
                raise Failed(f"a caller under load: {caller.wrong!r}")
        self.verify(self.store)
        shutil.rmtree(self.dir)

    def verify(self, store):
        done = self.betonyd("verify", "--store", store)
        expect(done.returncode == 0, f"verify of {store}: {done.stdout}{done.stderr}")
        return int(re.match(r"verified: (\d+) events", done.stdout)[1])

    def restore(self, source, name):
        """Restores and verifies; what the line says."""
        target = self.path(name)
        done = self.betonyd("restore", "--from", source, "--store", target)
        said = RESTORE_LINE.fullmatch(done.stdout)
        expect(done.returncode == 0 and said, f"restore {source}: exit {done.returncode}: {done.stdout}{done.stderr}")
        expect(said[2] == self.hello["log"] and said[3] != said[2] and said[4] != self.hello["node"],
               f"identities: {done.stdout}")
        expect(self.verify(target) == int(said[1]), "the restored log has another number of events")
        return target, said

    def check_started(self, target, said, before):
        """The restored store is started, asked who it is, and sent again what was acknowledged."""
        daemon = Daemon(self.program, target)
        try:
            caller = Caller(daemon.path)
            _, hello = caller.call("hello", {"agent": "check_backup"})
            expect(hello["log"] == said[3] and hello["node"] == said[4], f"hello of the restored store: {hello}")
            expect(hello["seq"] == int(said[1]), f"hello says {hello['seq']} events, the backup {said[1]}")
            calls = before if len(before) <= CHECKED_CALLS else \
                self.rng.sample(before, CHECKED_CALLS // 2) + sorted(before, key=lambda c: c[1])[-CHECKED_CALLS // 2:]
            for events, seq in calls:
                error, result = record(caller, events)
                expect(error is None, f"an acknowledged call is refused by the restored store: {error}")
                expect(set(result["repeated"]) == {e["id"] for e in events}, f"acknowledged and not in the backup: seq {seq}")
                expect(max(result["seqs"]) == seq, f"seq {seq} is now {result['seqs']}")
        finally:
            daemon.stop()
        self.verify(target)
        return len(calls)

    def one_backup(self, number):
        before = self.acknowledged()
        target = self.path(f"backup-{number}")
        began = time.monotonic()
        done = self.betonyd("backup", "--store", self.store, "--to", target)
        took = time.monotonic() - began
        said = BACKUP_LINE.fullmatch(done.stdout)
        expect(done.returncode == 0 and said and said[4] == target,
               f"backup: exit {done.returncode}: {done.stdout}{done.stderr}")
        last = max((seq for _, seq in before), default=0)
        expect(last <= int(said[1]), f"seq {last} was acknowledged before a backup of {said[1]} events")
        restored, again = self.restore(target, f"restored-{number}")
        expect(again[1] == said[1] and again[5] != said[3], f"not what the backup said: {again[0]}")
        checked = self.check_started(restored, again, before)
        shutil.rmtree(restored)
        shutil.rmtree(target)
        return checked, took, int(said[1])

    def one_kill(self, number, span):
        target = self.path(f"killed-{number}")
        process = subprocess.Popen([self.program, "backup", "--store", self.store, "--to", target],
                                   stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        time.sleep(self.rng.uniform(0, span))  # the random point; nothing is waited for here
        process.send_signal(signal.SIGKILL)
        said = process.communicate()[0].decode()
        whole, half = os.path.exists(target), os.path.exists(target + ".new")
        expect(whole or not said, f"it said {said!r} and is not there")
        if whole:
            self.restore(target, f"killed-restored-{number}")
        if half:
            self.check_half(target + ".new", number)
            done = self.betonyd("backup", "--store", self.store, "--to", target)  # and the next one takes over
            expect(done.returncode == 0 and not os.path.exists(target + ".new"), f"backup after a kill: {done.stderr}")
            self.restore(target, f"killed-again-{number}")
        for name in os.listdir(self.dir):
            if name.startswith("killed-"):
                shutil.rmtree(self.path(name))
        return "whole" if whole else "half" if half else "nothing"

    def check_half(self, half, number):
        done = self.betonyd("restore", "--from", half, "--store", self.path(f"killed-half-{number}"))
        if done.returncode == 0:
            self.verify(self.path(f"killed-half-{number}"))
            done = self.betonyd("run", "--store", half, "--listen", "none")
            expect(done.returncode == EX_NOPERM_TO_RUN, f"a backup was started: {done.stderr}")
        else:
            expect(done.stderr.count("\n") == 1 and not os.path.exists(self.path(f"killed-half-{number}")),
                   f"restore of half a backup: {done.stderr}")

    def without_room(self):
        target = self.path("no-room")
        done = self.betonyd("backup", "--store", self.store, "--to", target,
                            preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (65536, 65536)))
        expect(done.returncode == EX_IOERR and done.stdout == "" and done.stderr.count("\n") == 1 and
               "There is no room" in done.stderr, f"without room: exit {done.returncode}: {done.stdout}{done.stderr}")
        expect(not os.path.exists(target) and not os.path.exists(target + ".new"), "without room something is left")
        done = self.betonyd("restore", "--from", target, "--store", self.path("none"))
        expect(done.returncode == EX_NOINPUT and done.stderr.count("\n") == 1, f"restore of nothing: {done.stderr}")


def run(arguments, program, rng):
    checked, done, times, events = 0, 0, [], 0
    while done < arguments.backups:
        world = World(program, rng)
        try:
            for _ in range(min(BACKUPS_PER_STORE, arguments.backups - done)):
                done += 1
                found, took, events = world.one_backup(done)
                checked += found
                times.append(took)
            if done >= arguments.backups:
                ends = [world.one_kill(n, 1.2 * sorted(times)[len(times) // 2]) for n in range(arguments.kills)]
                print(f"{len(ends)} kills: " + ", ".join(f"{ends.count(e)} {e}" for e in ("nothing", "half", "whole")))
                world.without_room()
        except BaseException:
            print(f"store and backups kept in {world.dir}")
            for caller in world.callers:
                caller.stop.set()
            world.daemon.process.kill()
            raise
        world.close()
    expect(checked >= done, f"only {checked} acknowledged calls in {done} backups: the load did not load")
    print(f"{done} backups (the last of {events} events; {sorted(times)[len(times) // 2] * 1000:.0f} ms in the middle, "
          f"{max(times) * 1000:.0f} ms at most), {checked} acknowledged calls found again")


def main():
    short = bool(os.environ.get("BETONY_TEST_SHORT"))
    parser = argparse.ArgumentParser()
    parser.add_argument("source")
    parser.add_argument("build")
    parser.add_argument("--backups", type=int, default=10 if short else 50)
    parser.add_argument("--kills", type=int, default=10 if short else 40)
    parser.add_argument("--seed", type=int, default=random.randrange(1 << 30))
    arguments = parser.parse_args()
    print(f"seed {arguments.seed}")
    try:
        run(arguments, os.path.join(arguments.build, "bin", "betonyd"), random.Random(arguments.seed))
    except Failed as wrong:
        print("FAILED:", wrong)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
