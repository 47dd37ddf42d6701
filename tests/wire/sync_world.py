"""Servers and laptops as real processes, with a proxy between them that delays, cuts at any byte and goes away.

Everything is on loopback and Unix sockets of a folder of its own; what was started here is ended here.
"""
import asyncio
import os
import random
import re
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time

import msgpack

DAY_MS = 86400000
PATIENCE_S = 150  # a laptop that found nobody for some time waits up to a minute before it tries again
ZERO_ID = "00000000-0000-0000-0000-000000000000"


class Failed(Exception):
    pass


def expect(truth, what):
    if not truth:
        raise Failed(what)


def until(what, seconds, ask):
    """Asks again and again for something true; what it said last is told when the time is over."""
    end = time.monotonic() + seconds
    while True:
        said = ask()
        if said is True:
            return
        if time.monotonic() > end:
            raise Failed(f"{what}: not within {seconds} s; last: {said}")
        time.sleep(0.02)


def now_ms():
    return int(time.time() * 1000)


def uuid7(rng, ms):
    """A version 7 UUID (RFC 9562 5.7) from a seeded generator."""
    value = (ms & ((1 << 48) - 1)) << 80 | 0x7 << 76 | rng.getrandbits(12) << 64 | 0x2 << 62 | rng.getrandbits(62)
    text = f"{value:032x}"
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"


def id_text(value):
    """Ids come as text or as 16 bytes."""
    text = value if isinstance(value, str) else value.hex()
    return text if "-" in text else f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"


# --- the network ------------------------------------------------------------------------------------------------------


class Proxy:
    """A TCP port before the server's. Its loop runs in a thread; the attributes may be set from any."""

    def __init__(self, rng=None, delay_s=0.0):
        self.rng, self.delay_s = rng, delay_s
        self.target, self.up, self.budget = None, True, None  # budget: (low, high) bytes until a connection is cut
        self.made = self.cut_count = self.bytes = 0
        self.transports = set()
        self.loop = asyncio.new_event_loop()
        self.server = self.loop.run_until_complete(asyncio.start_server(self.serve, "127.0.0.1", 0))
        self.address = "127.0.0.1:%d" % self.server.sockets[0].getsockname()[1]
        self.thread = threading.Thread(target=self.loop.run_forever, daemon=True)
        self.thread.start()

    async def serve(self, reader, writer):
        if not self.up or self.target is None:
            writer.transport.abort()
            return
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self.target)
        except OSError:
            writer.transport.abort()
            return
        self.made += 1
        await asyncio.sleep(2 * self.delay_s)  # connecting takes a round trip; here it has been answered already
        pair = {writer.transport, far_writer.transport}
        if not self.up:
            for transport in pair:
                transport.abort()
            return
        self.transports |= pair
        left = [self.rng.randrange(*self.budget)] if self.budget else [None]
        pumps = [asyncio.ensure_future(self.pump(reader, far_writer, left)),
                 asyncio.ensure_future(self.pump(far_reader, writer, left))]
        await asyncio.wait(pumps, return_when=asyncio.FIRST_COMPLETED)
        for pump in pumps:
            pump.cancel()
        for transport in pair:
            transport.abort()
        self.transports -= pair
        await asyncio.gather(*pumps, return_exceptions=True)

    async def pump(self, reader, writer, left):
        """Returns when the connection is to end."""
        queue = asyncio.Queue()
        forward = asyncio.ensure_future(self.forward(queue, writer))
        try:
            while True:
                data = await reader.read(65536)
                if left[0] is not None and len(data) >= left[0]:
                    data, self.cut_count = data[:left[0]], self.cut_count + 1
                    queue.put_nowait((self.loop.time() + self.delay_s, data))
                    data = b""
                elif left[0] is not None:
                    left[0] -= len(data)
                queue.put_nowait((self.loop.time() + self.delay_s, data))
                if not data:
                    await forward
                    return
        except (OSError, asyncio.CancelledError):
            forward.cancel()

    async def forward(self, queue, writer):
        while True:
            at, data = await queue.get()
            wait = at - self.loop.time()
            if wait > 0:
                await asyncio.sleep(wait)
            if not data:
                return
            self.bytes += len(data)
            try:
                writer.write(data)
                await writer.drain()
            except OSError:
                return

    def cut(self):
        """Ends every connection there is, wherever it stands; when this returns nothing more passes through them."""
        done = threading.Event()

        def abort():
            for transport in list(self.transports):
                transport.abort()
            done.set()

        self.loop.call_soon_threadsafe(abort)
        expect(done.wait(30), "the proxy does not answer")

    def go(self, up):
        self.up = up
        if not up:
            self.cut()

    def close(self):
        self.up = False
        self.cut()
        self.loop.call_soon_threadsafe(self.loop.stop)
        self.thread.join()


# --- processes --------------------------------------------------------------------------------------------------------


class Peer:
    """One connection to a node's own socket, greeted as another node, so that every method may be called."""

    def __init__(self, path):
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(60)
        self.sock.connect(path)
        self.unpacker = msgpack.Unpacker(strict_map_key=False, max_buffer_size=1 << 26)
        self.msgid = 0

    def call(self, method, params=None):
        self.msgid += 1
        self.sock.sendall(msgpack.packb([0, self.msgid, method, [params or {}]]))
        while True:
            for message in self.unpacker:
                if message[0] == 1 and message[1] == self.msgid:
                    return message[2], message[3]
            data = self.sock.recv(1 << 18)
            if not data:
                raise ConnectionError("closed")
            self.unpacker.feed(data)

    def ask(self, method, params=None):
        """The answer; asks again while a node is not ready."""
        end = time.monotonic() + 60
        while True:
            error, result = self.call(method, params)
            if error is None:
                return result
            if error["code"] not in ("rebuilding", "busy") or time.monotonic() > end:
                raise Failed(f"{method} {str(params)[:200]} answered {error}")
            time.sleep(0.02)

    def close(self):
        self.sock.close()


class Node:
    """A store and the daemon on it. teams: None for a server."""

    def __init__(self, world, name, teams=None, proxy=None):
        self.world, self.name, self.teams, self.proxy = world, name, teams, proxy
        self.store = os.path.join(world.dir, name)
        self.path = os.path.join(world.dir, name + ".s")
        self.journal = os.path.join(world.dir, name + ".log")
        self.process = self.port = self.peer = self.watch = None

    def start(self):
        command = [self.world.program, "run", "--store", self.store, "--socket", self.path]
        if self.teams is None:
            command += ["--listen", "127.0.0.1:0"]
        else:
            command += ["--listen", "none", "--upstream", self.proxy.address, "--teams", self.teams]
        begin = os.path.getsize(self.journal) if os.path.exists(self.journal) else 0
        with open(self.journal, "ab") as log:
            self.process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log)

        def ready():
            with open(self.journal, encoding="utf-8") as log:
                log.seek(begin)
                said = log.read()
            if self.process.poll() is not None:
                raise Failed(f"{self.name} ended with {self.process.returncode}:\n{said}")
            found = re.search(r"betonyd ready: store \S+, listening on (?:127\.0\.0\.1:(\d+))?.*\n", said)
            if not found:
                return said
            self.port = int(found[1]) if found[1] else None
            return True

        until(f"{self.name} starts", 60, ready)
        if self.teams is None:
            for proxy in self.world.proxies:
                proxy.target = self.port
        return self

    def ask(self, method, params=None):
        """On a connection of this node's own that is made again after each start."""
        if self.peer is None:
            self.peer = Peer(self.path)
            self.peer.ask("hello", {"agent": "check", "node": self.world.watcher, "all_teams": True,
                                    "place": {"log": self.world.watcher, "seq": 0, "chain": "0" * 64}})
        return self.peer.ask(method, params)

    def call(self, method, params=None):
        self.ask("ping")
        return self.peer.call(method, params)

    def runs(self):
        return self.process is not None and self.process.poll() is None

    def let_go(self):
        if self.peer:
            self.peer.close()
        self.peer = None

    def kill(self):
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(60)
        self.let_go()

    def stop(self):
        self.let_go()
        self.process.terminate()
        code = self.process.wait(60)
        expect(code == 0, f"{self.name} stopped with {code}: {self.said()}")

    def said(self):
        with open(self.journal, encoding="utf-8") as log:
            return log.read()[-2000:]

    def record(self, *events):
        return self.ask("record", {"events": list(events), "want": "none"})

    def digest(self, teams=None):
        """{record: (count, sum)} of what is held, or of these teams' part of it."""
        params = {"teams": teams.split(",")} if teams and teams != "*" else {"all_teams": True}
        rows, after = {}, None
        while True:
            page = self.ask("digest", {**params, **({"after": after} if after else {})})
            rows.update({id_text(row[0]): (row[1], row[2].hex()) for row in page["records"]})
            after = page.get("after")
            if not after:
                return rows

    def holds(self, ids):
        """Those of the ids of which this node has the event."""
        ids, held = list(ids), set()
        while ids:
            page = self.ask("fetch", {"ids": ids[:100]})
            for entry in page["events"]:
                content, _ = msgpack.unpackb(entry[1], strict_map_key=False)  # and the stamps of where it was made
                held.add(content["id"])
            ids = ids[page.get("looked_at", 100):]
        return held

    def history(self, patient):
        rows, after = [], None
        while True:
            page = self.ask("history", {"patient": patient, "limit": 500, **({"after": after} if after else {})})
            rows += page["rows"]
            after = page.get("after")
            if not after:
                return rows

    def has_child(self, patient):
        error, _ = self.call("patient", {"patient": patient})
        expect(error is None or error["code"] == "unknown-patient", f"patient at {self.name}: {error}")
        return error is None

    def sync_state(self):
        return self.ask("sync-state")


class World:
    """A server, laptops behind proxies of their own, and the folder that they live in."""

    def __init__(self, program, rng, name="sync"):
        self.program, self.rng = program, rng
        self.dir = tempfile.mkdtemp(prefix=f"betony-{name}-")
        self.watcher = uuid7(rng, now_ms())
        self.proxies, self.nodes, self.made = [], [], 0
        self.server = self.add("server")
        self.server.start()

    def add(self, name, teams=None, proxy=None):
        if teams is not None and proxy is None:
            proxy = Proxy(self.rng)
            proxy.target = self.server.port
            self.proxies.append(proxy)
        node = Node(self, name, teams, proxy)
        self.nodes.append(node)
        return node

    def laptop(self, name, teams):
        return self.add(name, teams).start()

    def betonyd(self, *arguments):
        return subprocess.run([self.program, *arguments], capture_output=True, text=True, timeout=120, check=False)

    def betony(self, node, *arguments):
        """The command line, at a node."""
        return subprocess.run([os.path.join(os.path.dirname(self.program), "betony"), "--connect", "unix:" + node.path, *arguments],
                              capture_output=True, text=True, timeout=60, check=False)

    def event(self, kind, patient, body, at=None, **more):
        at = now_ms() if at is None else at
        made = {"id": uuid7(self.rng, now_ms()), "kind": kind, "at": at, "body": body, **more}
        if patient:
            made["patient"] = patient
        return made

    def registration(self, team, patient=None):
        self.made += 1
        return self.event("patient.registered", patient or uuid7(self.rng, now_ms()),
                          {"label": f"HM-{self.made:04d}", "born": "2020-04-02", "zone": "Europe/London", "team": team},
                          at=now_ms() - 90 * DAY_MS)

    def device(self, patient):
        return self.event("device.placed", patient,
                          {"retention": "balloon", "profile": "low", "tip": "stomach", "french_fr": 14, "balloon_ml": 5,
                           "why": "scheduled", "place": "hospital", "placed_by": "surgeon", "position": "imaging"},
                          at=now_ms() - 80 * DAY_MS)

    def note(self, patient, text="nothing new"):
        return self.event("note.written", patient, {"text": text})

    def register(self, node, team, count=1):
        """Children recorded at a node, each registration with its device in one call."""
        children = []
        for _ in range(count):
            first = self.registration(team)
            node.record(first, self.device(first["patient"]))
            children.append(first["patient"])
        return children

    def even(self, seconds=PATIENCE_S, nodes=None):
        """Waits until every laptop holds what the server has of its teams, and nothing else."""
        laptops = [n for n in (nodes or self.nodes) if n.teams is not None and n.runs()]

        def compare(node):
            def ask():
                theirs, ours = self.server.digest(node.teams), node.digest()
                differ = [r for r in set(theirs) | set(ours) if theirs.get(r) != ours.get(r)]
                if not differ:
                    return True
                return f"{len(differ)} of {len(theirs)} records differ, first {differ[0]}: server " \
                       f"{theirs.get(differ[0])}, {node.name} {ours.get(differ[0])}; {node.sync_state()}"
            return ask

        for _ in range(2):  # what the second pushed may be the first one's to pull
            for node in laptops:
                until(f"{node.name} is even with the server", seconds, compare(node))

    def statuses_are_even(self):
        """Every child's page, at one moment, says the same wherever it is held."""
        at, compared = now_ms(), 0
        for node in self.nodes:
            if node.teams is None or not node.runs():
                continue
            for record in node.digest():
                if record == ZERO_ID:
                    continue
                pages = []
                for where in (self.server, node):
                    error, page = where.call("patient", {"patient": record, "at": at})
                    pages.append(error["code"] if error else {k: v for k, v in page.items() if k != "seq"})
                expect(pages[0] == pages[1], f"the page of {record} differs: server {pages[0]}\n{node.name} {pages[1]}")
                compared += not isinstance(pages[0], str)
        return compared

    def verify(self, store):
        done = self.betonyd("verify", "--store", store)
        expect(done.returncode == 0, f"verify of {store}: {done.stdout}{done.stderr}")

    def close(self):
        """Stops what runs; every store is verified."""
        for node in self.nodes:
            if node.runs():
                node.stop()
            if os.path.exists(node.store):
                self.verify(node.store)
        for proxy in self.proxies:
            proxy.close()
        shutil.rmtree(self.dir)

    def abandon(self):
        """After a failure: everything ends, the folder stays."""
        for node in self.nodes:
            if node.runs():
                node.process.kill()
                node.process.wait()
            print(f"--- {node.name}: {node.said() if os.path.exists(node.journal) else ''}")
        print(f"stores kept in {self.dir}")


def run_case(program, rng, name, case):
    """One case in a world of its own."""
    world = World(program, random.Random(rng.getrandbits(64)), name)
    try:
        said = case(world)
        world.close()
    except BaseException:
        world.abandon()
        raise
    return said
