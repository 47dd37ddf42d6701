#!/usr/bin/python3
"""The demo caseload through the running server: every task and every alert is open on at least one child.

    check_demo.py SOURCE-DIR BUILD-DIR

Starts betonyd on a directory of its own, loads what harrowmere writes with betony, and asks with betony.
"""
import json
import os
import re
import select
import subprocess
import sys
import tempfile
import time
import unittest

SOURCE, BUILD = sys.argv[1], sys.argv[2]
TEAMS = ("north-shore", "mill-lane", "fell-side")


def program(name):
    return os.path.join(BUILD, "bin", name)


def names(table):
    """Wire names of one table of proto/names_table.h: "T" tasks, "A" alerts."""
    with open(os.path.join(SOURCE, "proto", "names_table.h")) as header:
        return re.findall(rf'^    {table}\([A-Z_]+, "([a-z-]+)"', header.read(), re.M)


def harrowmere(now, *more):
    return subprocess.run([program("harrowmere"), "--now", str(now), *more], check=True, capture_output=True, text=True,
                          timeout=60).stdout


class Daemon:
    """betonyd with a store and a socket of its own; stopped by its own id."""

    def __init__(self):
        self.directory = tempfile.TemporaryDirectory()
        self.socket = os.path.join(self.directory.name, "s")
        self.process = subprocess.Popen(
            [program("betonyd"), "run", "--store", os.path.join(self.directory.name, "store"), "--socket", self.socket,
             "--listen", "127.0.0.1:0"], stderr=subprocess.PIPE, stdin=subprocess.DEVNULL)
        self.said = b""
        deadline = time.monotonic() + 60
        while b"ready" not in self.said:
            left = deadline - time.monotonic()
            if left <= 0 or not select.select([self.process.stderr], [], [], left)[0]:
                raise AssertionError("betonyd did not say that it is ready: " + self.said.decode())
            data = os.read(self.process.stderr.fileno(), 4096)
            if not data:
                raise AssertionError("betonyd ended: " + self.said.decode())
            self.said += data

    def betony(self, *arguments, code=0):
        done = subprocess.run([program("betony"), *arguments, "--connect", "unix:" + self.socket], capture_output=True,
                              text=True, timeout=120)
        if done.returncode != code:
            raise AssertionError(f"betony {arguments} ended with {done.returncode}: {done.stderr}")
        return done.stdout

    def stop(self):
        self.process.terminate()
        try:
            code = self.process.wait(timeout=30)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            code = "killed after 30 s"
        self.process.stderr.close()
        self.directory.cleanup()
        return code


class Demo(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.daemon = Daemon()
        cls.addClassCleanup(cls.daemon.stop)
        cls.now = time.time_ns() // 1000000
        cls.path = os.path.join(cls.daemon.directory.name, "h.ndjson")
        cls.text = harrowmere(cls.now)
        with open(cls.path, "w") as file:
            file.write(cls.text)
        cls.loaded = json.loads(cls.daemon.betony("load", cls.path, "--json"))

    def rows(self, *arguments):
        return [json.loads(line) for line in self.daemon.betony("--ndjson", *arguments).splitlines()]

    def test_everything_was_stored(self):
        self.assertEqual(self.loaded["stored"], self.text.count("\n"))
        self.assertEqual(self.loaded["repeated"], 0)
        again = json.loads(self.daemon.betony("load", self.path, "--json"))
        self.assertEqual((again["stored"], again["repeated"]), (0, self.loaded["stored"]))

    def test_every_task_is_open(self):
        # a task of the team's own goes by its own name
        found = {row["task"] if row["task"] != "school-talk" else "added" for row in self.rows("due")}
        self.assertEqual(sorted(set(names("T")) - found), [])

    def test_every_alert_is_open(self):
        found = {row["name"] for row in self.rows("alerts")}
        self.assertEqual(sorted(set(names("A")) - found), [])

    def test_overdue_checks_in_each_team(self):
        found = {row["team"] for row in self.rows("due", "--overdue", "--task", "balloon-check")}
        self.assertEqual(found, set(TEAMS))

    def test_teams_and_children(self):
        labels = {row["label"] for row in self.rows("patients")}
        self.assertIn("HM-0142", labels)
        self.assertNotIn("HM-0159", labels)  # merged into HM-0158
        self.assertEqual({row["team"] for row in self.rows("patients")}, set(TEAMS))

    def test_the_child_of_the_first_tour(self):
        status = json.loads(self.daemon.betony("patient", "HM-0142", "--json"))
        self.assertIn("balloon-low", [alert["name"] for alert in status["alerts"]])
        page = self.daemon.betony("patient", "HM-0142")
        for said in ("IF THE DEVICE COMES OUT", "balloon-low", "does not replace clinical judgement", "TASKS"):
            self.assertIn(said, page)

    def test_two_stomas(self):
        status = json.loads(self.daemon.betony("patient", "HM-0127", "--json"))
        self.assertEqual([stoma["stoma"] for stoma in status["stomas"]], ["main", "second"])

    def test_tube_out_has_a_clock(self):
        alert, = self.rows("alerts", "--name", "tube-out")
        self.assertEqual(alert["label"], "HM-0113")
        self.assertEqual(alert["deadline"] - alert["aim"], 3600000)
        self.assertIn("left", self.daemon.betony("alerts", "--name", "tube-out"))

    def test_merged_recalled_withdrawn(self):
        merged = self.rows("history", "HM-0158", "--kind", "patient.registered")
        self.assertEqual(len(merged), 2)
        self.assertEqual([row["label"] for row in self.rows("devices", "--lot", "HL-4471")], ["HM-0126"])
        withdrawn = [row for row in self.rows("history", "HM-0157") if row.get("withdrawn")]
        self.assertEqual(len(withdrawn), 1)
        adopted = json.loads(self.daemon.betony("rules", "--team", "mill-lane", "--json"))
        self.assertIn(28, [row["value"] for row in adopted["rows"] if row["name"] == "spare-check-days"])

    def test_every_view_for_people(self):
        for line in (["hello"], ["ping"], ["stats"], ["tally"], ["rules"], ["due"], ["alerts"], ["patients"], ["devices"],
                     ["history", "HM-0142"], ["kinds"]):
            with self.subTest(line=line):
                self.assertGreater(len(self.daemon.betony(*line).splitlines()), 0 if line == ["ping"] else 3)

    def test_every_page(self):
        for row in self.rows("patients"):
            page = self.daemon.betony("patient", row["patient"])
            self.assertIn(row["label"], page)


class Text(unittest.TestCase):
    def test_the_same_every_time(self):
        self.assertEqual(harrowmere(1772370000000), harrowmere(1772370000000))
        self.assertEqual(harrowmere(1772370000000, "--children", "90").count("patient.registered"), 90)

    def test_invented(self):
        text = harrowmere(1772370000000)
        # 01632 960000 to 960999: set aside for drama by Ofcom (from memory)
        for number in re.findall(r"\b0\d{4} ?\d{6}\b", text):
            self.assertRegex(number, r"^01632 960\d{3}$")
        labels = re.findall(r'"label":"([^"]*)"', text)
        self.assertEqual(len(set(labels)), 60)
        for label in labels:
            self.assertRegex(label, r"^HM-01\d\d$")

    def test_refuses(self):
        for line in ([], ["--now"], ["--now", "x"], ["--now", "1772370000000", "--children", "0"], ["--frob", "1"]):
            self.assertEqual(subprocess.run([program("harrowmere"), *line], capture_output=True, timeout=60).returncode, 64)


if __name__ == "__main__":
    unittest.main(argv=[sys.argv[0]], verbosity=1)
