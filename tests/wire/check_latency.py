#!/usr/bin/env python3
"""A laptop that was away for long catches up over a slow network in round trips that can be counted, not one for each event.

Usage: check_latency.py SOURCE_DIR BUILD_DIR [--offline N] [--new N] [--delay-ms N]

A laptop has recorded 2,000 events offline, its server 20,000 meanwhile. From copies of the same two stores it catches up
twice: through a proxy that only passes bytes on, and through one that holds every byte for 100 ms each way, the first of a
connection for a round trip more, as connecting takes one. The second may take 10 round trips longer, and no more. What
else the machine does can only add to a time, so the best of three pairs counts.
"""
import argparse
import os
import random
import shutil
import sys
import time

sys.dont_write_bytecode = True  # the tree of sources stays as it is
from sync_world import Failed, expect, run_case, until

CHILDREN = 200
ROUND_TRIPS_MAX = 10
PAIRS_MAX = 3


def fill(world, node, count, children):
    """So many events, in calls as they are made on visits: a handful about one child."""
    rng, left = world.rng, count
    while left:
        child, events = rng.choice(children), []
        for _ in range(min(left, rng.randrange(1, 9))):
            events.append(world.event("balloon.checked", child, {"withdrawn_ml": 5, "filled_ml": 5, "look": "clear"}))
        node.record(*events)
        left -= len(events)


def set_up(world, offline, new):
    """Both stores before the laptop comes back; the events that each has alone."""
    children = world.register(world.server, "mill-lane", CHILDREN)
    laptop = world.laptop("laptop", "mill-lane")
    world.even()
    laptop.proxy.go(False)
    fill(world, laptop, offline, children)
    fill(world, world.server, new, children)
    for node in world.nodes:
        node.stop()
        shutil.move(node.store, node.store + "-before")
    return laptop


def catch_up(world, laptop, delay_s, final):
    """Seconds from the laptop's start until both hold what `final` says; what both hold then, verified."""
    for node in world.nodes:
        shutil.copytree(node.store + "-before", node.store)
    world.server.start()
    laptop.proxy.delay_s, laptop.proxy.made = delay_s, 0
    laptop.proxy.go(True)
    began = time.monotonic()
    laptop.start()
    if final:
        until("all is across", 300, lambda: laptop.digest() == world.server.digest("mill-lane") == final or laptop.sync_state())
    took = time.monotonic() - began
    expect(laptop.proxy.made == 1 or not final, f"{laptop.proxy.made} connections were made, not one")
    laptop.proxy.delay_s = 0
    world.even(300)
    final = laptop.digest()
    for node in world.nodes:
        node.stop()
        world.verify(node.store)
        shutil.rmtree(node.store)
    return took, final


def measure(world, arguments):
    delay_s = arguments.delay_ms / 1000
    allowed = ROUND_TRIPS_MAX * 2 * delay_s
    laptop = set_up(world, arguments.offline, arguments.new)
    _, final = catch_up(world, laptop, 0, None)
    count = sum(row[0] for row in final.values())
    expect(count == arguments.offline + arguments.new + 2 * CHILDREN, f"{count} events in the end")
    pairs = []
    while len(pairs) < PAIRS_MAX:
        plain, _ = catch_up(world, laptop, 0, final)
        delayed, _ = catch_up(world, laptop, delay_s, final)
        pairs.append((delayed - plain, plain, delayed))
        if delayed - plain <= allowed:
            break
    more, plain, delayed = min(pairs)
    said = f"{arguments.offline} events out and {arguments.new} in: {plain:.2f} s, over round trips of " \
           f"{2 * arguments.delay_ms} ms {delayed:.2f} s: {more / (2 * delay_s):.1f} round trips more"
    expect(more <= allowed, f"{said}; {ROUND_TRIPS_MAX} are allowed")
    return said


def main():
    short = bool(os.environ.get("BETONY_TEST_SHORT"))
    parser = argparse.ArgumentParser()
    parser.add_argument("source")
    parser.add_argument("build")
    parser.add_argument("--offline", type=int, default=300 if short else 2000)
    parser.add_argument("--new", type=int, default=2000 if short else 20000)
    parser.add_argument("--delay-ms", type=int, default=100)
    arguments = parser.parse_args()
    program = os.path.join(arguments.build, "bin", "betonyd")
    try:
        print(run_case(program, random.Random(1), "latency", lambda world: measure(world, arguments)))
    except Failed as wrong:
        print("FAILED:", wrong)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
