#!/usr/bin/python3
"""The command line from outside: what it refuses, what it sends, what it prints, how it ends.

    check_cli.py SOURCE-DIR BUILD-DIR

A server of the test's own listens on a Unix socket and answers as each case says; it ends with the test.
"""
import json
import os
import socket
import subprocess
import sys
import tempfile
import threading
import unittest

import msgpack

SOURCE, BUILD = sys.argv[1], sys.argv[2]
BETONY = os.path.join(BUILD, "bin", "betony")
ID_A = "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"  # RFC 9562 A.6
ID_B = "017f22e2-79b0-7cc3-98c4-dc0c0c073990"


class Fault(Exception):
    """An error that the server answers with."""


class Server:
    """Answers each call with what `answers[method]` gives for its parameters."""

    def __init__(self, directory):
        self.path = os.path.join(directory, "s")
        self.listener = socket.socket(socket.AF_UNIX)
        self.listener.bind(self.path)
        self.listener.listen(8)
        self.answers, self.calls, self.ended = {}, [], False
        self.thread = threading.Thread(target=self.run)
        self.thread.start()

    def reset(self, **answers):
        self.answers = {name.replace("_", "-"): answer for name, answer in answers.items()}
        self.calls = []

    def run(self):
        while True:
            connection, _ = self.listener.accept()
            if self.ended:
                connection.close()
                return
            with connection:
                self.talk(connection)

    def talk(self, connection):
        unpacker = msgpack.Unpacker()
        while True:
            data = connection.recv(65536)
            if not data:
                return
            unpacker.feed(data)
            for kind, number, method, params in unpacker:
                params = params[0] if params else {}
                if method == "hello":
                    connection.sendall(msgpack.packb([1, number, None, {"node": ID_A, "seq": 100}]))
                    continue
                self.calls.append((method, params))
                answer = self.answers.get(method)
                try:
                    result = answer(params) if callable(answer) else answer
                    if result is Ellipsis:
                        return  # closes the connection
                    connection.sendall(msgpack.packb([1, number, None, result]))
                except Fault as fault:
                    connection.sendall(msgpack.packb([1, number, fault.args[0], None]))

    def close(self):
        self.ended = True
        with socket.socket(socket.AF_UNIX) as end:
            end.connect(self.path)
        self.thread.join()
        self.listener.close()


class Case(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.directory = tempfile.TemporaryDirectory()
        cls.server = Server(cls.directory.name)

    @classmethod
    def tearDownClass(cls):
        cls.server.close()
        cls.directory.cleanup()

    def betony(self, *arguments, stdin="", connect=True, **environment):
        env = {"PATH": os.environ["PATH"], "TZ": "Europe/London", **environment}
        for name in ("ASAN_OPTIONS", "UBSAN_OPTIONS"):
            if name in os.environ:
                env[name] = os.environ[name]
        if connect:
            env["BETONY_CONNECT"] = "unix:" + self.server.path
        done = subprocess.run([BETONY, *arguments], input=stdin, capture_output=True, text=True, env=env, timeout=60,
                              cwd=self.directory.name)
        return done.returncode, done.stdout, done.stderr

    def file(self, name, text):
        path = os.path.join(self.directory.name, name)
        with open(path, "w") as out:
            out.write(text)
        return path


class Usage(Case):
    def test_refused(self):
        for line, said in [
            ([], "Usage"), (["frob"], "no verb"), (["due", "--frob"], "unrecognized"),
            (["due", "word"], "one word too many"), (["due", "--limit", "0"], "number from 1"),
            (["due", "--limit", "-3"], "number from 1"), (["due", "--task", "nonsense"], "not one of"),
            (["due", "--before", "yesterday"], "neither now nor a time"), (["due", "--overdue", "--state", "due"], "two things"),
            (["patient"], "CHILD is missing"), (["history"], "CHILD is missing"), (["load"], "FILE is missing"),
            (["completion", "fish"], "only for bash"), (["kinds", "nothing.at-all"], "no kind"),
            (["record"], "comes first"), (["record", "nothing.at-all"], "no kind"),
            (["record", "balloon.checked"], "--patient is needed"),
            (["record", "balloon.checked", "--patient", ID_A, "--withdrawn-ml", "4,5"], "two decimals"),
            (["record", "balloon.checked", "--patient", ID_A, "--withdrawn-ml", "3.456"], "two decimals"),
            (["record", "balloon.checked", "--patient", ID_A, "--look", "murky"], "clear, cloudy or discoloured"),
            (["record", "balloon.checked", "--patient", ID_A, "--no-stuck"], "unrecognized"),
            (["record", "balloon.checked", "--patient", ID_A, "--id", "5"], "version 7"),
            (["record", "balloon.checked", "--patient", ID_A, "--at", "5 o'clock"], "neither now nor a time"),
            (["record", "site.checked", "--patient", ID_A, "--warm", "--no-warm"], "opposite"),
            (["record", "lot.recalled", "--patient", ID_A], "no single child"),
            (["record", "weight.measured", "--patient", ID_A, "--stoma", "main"], "unrecognized"),
            (["record", "patient.registered", "--contacts", "mother"], "ROLE,NAME,PHONE"),
            (["record", "plan.set", "--patient", ID_A, "--pauses", "2026-01-01"], "FROM..TO"),
            (["ping", "--timeout", "0"], "seconds"),
        ]:
            with self.subTest(line=line):
                code, out, err = self.betony(*line)
                self.assertEqual(code, 64, err)
                self.assertIn(said, err)
                self.assertEqual(out, "")

    def test_nobody_there(self):
        code, _, err = self.betony("ping", "--connect", "unix:/nowhere/at/all", connect=False)
        self.assertEqual(code, 69)
        self.assertIn("betonyd", err)
        self.assertEqual(self.betony("ping", "--connect", "192.0.2.1:7811")[0], 64)  # RFC 5737: another machine
        self.assertEqual(self.betony("load", "/nowhere/at/all")[0], 66)

    def test_help(self):
        code, out, _ = self.betony("--help")
        self.assertEqual(code, 0)
        for verb in ("record", "due", "alerts", "load"):
            self.assertIn("\n  " + verb, out)
        self.assertIn("--withdrawn-ml", self.betony("record", "balloon.checked", "--help")[1])
        self.assertIn("0.1", self.betony("--version")[1])

    def test_error_codes(self):
        for code, exits in [("bad-value", 65), ("conflict", 65), ("not-allowed", 77), ("not-signed-in", 77), ("full", 75),
                            ("rebuilding", 75), ("unknown-method", 76), ("internal", 70), ("outcome-unknown", 75)]:
            def refuse(_):
                raise Fault({"code": code, "message": "A sentence.", "field": "teams"})
            self.server.reset(tally=refuse)
            with self.subTest(code=code):
                ended, out, err = self.betony("tally")
                self.assertEqual(ended, exits)
                self.assertEqual(err, f"betony: A sentence. (field teams) [{code}]\n")

    def test_output_failed(self):
        self.server.reset(ping={"now": 0})
        with open("/dev/full", "w") as full:
            done = subprocess.run([BETONY, "ping", "--connect", "unix:" + self.server.path], stdout=full,
                                  stderr=subprocess.PIPE, timeout=60)
        self.assertEqual(done.returncode, 74)


class Record(Case):
    def record(self, *arguments, answer=None):
        self.server.reset(record=answer or {"seqs": [7], "repeated": [], "opened": [], "settled": [], "alike": []})
        code, out, err = self.betony("record", *arguments)
        calls = [params for method, params in self.server.calls if method == "record"]
        return code, out, err, calls[0]["events"][0] if calls else None

    def test_fields(self):
        code, out, _, event = self.record(
            "balloon.checked", "--patient", ID_A, "--withdrawn-ml", "4", "--filled-ml=5.25", "--look", "clear",
            "--left-empty", "--at", "2026-03-01T14:00:00+01:00", "--done-by", "carer", "--id", ID_B)
        self.assertEqual(code, 0)
        self.assertEqual(event, {"id": ID_B, "kind": "balloon.checked", "patient": ID_A, "at": 1772370000000,
                                 "done_by": "carer", "body": {"withdrawn_ml": 4, "filled_ml": 5.25, "look": "clear",
                                                              "left_empty": True}})
        self.assertIs(type(event["body"]["withdrawn_ml"]), int)
        self.assertIn(ID_B, out)

    def test_own_id(self):
        _, out, _, event = self.record("weight.measured", "--patient", ID_A, "--weight-kg", "9.8")
        self.assertEqual(event["id"][14], "7")
        self.assertIn(event["id"], out)

    def test_lists(self):
        _, _, _, event = self.record(
            "patient.registered", "--label", "HM-0999", "--born", "2024-02-29", "--zone", "Europe/London", "--team",
            "mill-lane", "--identifiers", "urn:x:y:123", "--contacts", "family,mother, at work,01632 960123", "--use",
            "syringe=0.5", "--use", "set=1", "--no-active")
        body = event["body"]
        self.assertEqual(body["identifiers"], [{"system": "urn:x:y", "value": "123"}])
        self.assertEqual(body["contacts"], [{"role": "family", "name": "mother, at work", "phone": "01632 960123"}])
        self.assertEqual(body["use"], [{"item": "syringe", "per_day": 0.5}, {"item": "set", "per_day": 1}])
        self.assertIs(body["active"], False)
        self.assertEqual(event["patient"][14], "7")  # made here
        _, _, _, event = self.record("care.done", "--patient", ID_A, "--items", "rotate,taping", "--items", "dressing")
        self.assertEqual(event["body"]["items"], ["rotate", "taping", "dressing"])
        _, _, _, event = self.record("plan.set", "--patient", ID_A, "--pauses", "2026-01-01..2026-01-05", "--task",
                                     "taping", "--weekdays", "mon", "--reason", "r", "--prescriber", "p")
        self.assertEqual(event["body"]["pauses"], [["2026-01-01", "2026-01-05"]])
        _, _, _, event = self.record("policy.adopted", "--values", "balloon-loss-ml=0.4", "--approved-by", "x")
        self.assertEqual(event["body"]["values"], {"balloon-loss-ml": 0.4})
        self.assertNotIn("patient", event)

    def test_what_follows(self):
        alert = {"name": "balloon-low", "label": "HM-0142", "team": "fell-side", "urgency": "today", "since": 1772370000000,
                 "deadline": 4102444700000, "found": "Less water than was put in.", "next_step": "Fill the balloon.",
                 "call": "the surgeon", "rule": "r", "basis": "b", "evidence": []}
        code, out, _, _ = self.record("balloon.checked", "--patient", ID_A, "--stuck",
                                      answer={"seqs": [1], "repeated": [], "opened": [alert], "settled": ["balloon-stuck"],
                                              "alike": [{"event": ID_A, "like": ID_B, "at": 1772370000000}]})
        self.assertEqual(code, 0)
        for said in ("TODAY", "HM-0142", "balloon-low", "Less water", "Fill the balloon.", "the surgeon", "left",
                     "settled: balloon-stuck", ID_B, "does not replace clinical judgement", "Wash hands"):
            self.assertIn(said, out)

    def test_notes(self):
        """What the server notes about the event is told beside that it is on record."""
        code, out, _, _ = self.record(
            "contact.made", "--patient", ID_A, "--to", "family", "--outcome", "answered", "--about", "balloon-low",
            answer={"seqs": [1], "repeated": [], "opened": [], "settled": [], "alike": [],
                    "notes": [{"event": ID_B, "field": "about", "message": "balloon-low still stands."}]})
        self.assertEqual(code, 0)
        self.assertIn("recorded: contact.made", out)
        self.assertIn("\nNOTE: balloon-low still stands.\n", out)

    def test_outcome_unknown(self):
        tries = []

        def lose(params):
            tries.append(params["events"][0]["id"])
            return ...
        code, _, err, _ = self.record("note.written", "--patient", ID_A, "--text", "x", answer=lose)
        self.assertEqual(code, 75)
        self.assertEqual(len(set(tries)), 1)
        self.assertGreater(len(tries), 1)
        self.assertIn("--id " + tries[0], err)

    def test_repeat_is_the_same_event(self):
        """What is said after a lost answer makes the same line the same event, also for a registration."""
        sent = []

        def lose(params):
            sent.append(params["events"][0])
            return ... if len(sent) < 9 and not again else {"seqs": [1], "repeated": [], "opened": [], "settled": []}
        again = False
        for line in (["note.written", "--patient", ID_A, "--text", "x"],
                     ["patient.registered", "--label", "HM-1", "--born", "2020-01-01", "--zone", "UTC", "--team", "t"]):
            sent, again = [], False
            code, _, err, _ = self.record(*line, answer=lose)
            self.assertEqual(code, 75)
            again = True
            repeat = err.split("Repeat the same line with ")[1].split(": it")[0].split()
            if "--patient" in line:
                self.assertNotIn("--patient", repeat)
            self.assertEqual(self.record(*line, *repeat, answer=lose)[0], 0)
            self.assertEqual(sent[-1], sent[0])

    def test_all_that_is_needed(self):
        code, _, err, event = self.record("device.placed", "--retention", "balloon")
        self.assertEqual((code, event), (64, None))
        for flag in ("patient", "profile", "tip", "french-fr", "why", "place", "placed-by"):
            self.assertIn(f"--{flag} is needed", err)
        self.assertNotIn("--retention", err)
        self.assertIn("low, long", err)
        self.assertIn("--warm or --no-warm is needed",
                      self.record("tube.blocked", "--patient", ID_A, "--water-ml", "10", "--cleared")[2])
        usage = self.betony("record", "device.placed", "--help")[1]
        self.assertLess(usage.index("Needed:"), usage.index("--placed-by="))
        self.assertLess(usage.index("--placed-by="), usage.index("What else"))

    def test_times(self):
        """A time without an offset is the machine's; what its clocks skipped or showed twice is refused."""
        for text, zone, ms in [("2026-03-01 14:00", "Europe/London", 1772373600000),
                               ("2026-03-01T14:00", "UTC", 1772373600000),
                               ("2026-07-01 14:00", "Europe/London", 1782910800000),
                               ("2026-10-25 00:30", "Europe/London", 1792884600000),
                               ("2026-10-25 02:00", "Europe/London", 1792893600000)]:
            self.server.reset(record={"seqs": [1], "repeated": [], "opened": [], "settled": []})
            code, out, err = self.betony("record", "note.written", "--patient", ID_A, "--text", "x", "--at", text, TZ=zone)
            self.assertEqual(code, 0, err)
            self.assertEqual(self.server.calls[0][1]["events"][0]["at"], ms, text)
            self.assertIn(text.replace("T", " "), out)
        # clocks in London go forward on 2026-03-29 and back on 2026-10-25; in Lord Howe by half an hour (tzdata)
        for text, zone, said in [("2026-03-29 01:30", "Europe/London", "skipped"),
                                 ("2026-10-25 01:30", "Europe/London", "twice"),
                                 ("2026-04-05 01:45", "Australia/Lord_Howe", "twice"),
                                 ("2026-02-30 12:00", "UTC", "no such day"), ("2026-02-03 24:00", "UTC", "neither"),
                                 ("2026-02-03 1:00", "UTC", "neither"), ("01/03/2026", "UTC", "neither")]:
            code, _, err = self.betony("record", "note.written", "--patient", ID_A, "--text", "x", "--at", text, TZ=zone)
            self.assertEqual(code, 64)
            self.assertIn(said, err, text)
        line = json.dumps({"kind": "note.written", "patient": ID_A, "at": "2026-03-01 14:00", "body": {"text": "x"}})
        self.assertEqual(self.betony("load", self.file("a", line))[0], 65)  # a file says its offset

    def test_label_held(self):
        """A label that is on the caseload already is not registered again unless that is said."""
        line = ["patient.registered", "--label", "HM-0142", "--born", "2020-01-01", "--zone", "UTC", "--team", "t"]
        held = {"rows": [{"patient": ID_A, "label": "HM-0142", "team": "fell-side"}]}
        for more, code in ([], 65), (["--another"], 0):
            self.server.reset(patients=held, record={"seqs": [1], "repeated": [], "opened": [], "settled": []})
            ended, _, err = self.betony("record", *line, *more)
            self.assertEqual(ended, code, err)
            self.assertEqual("record" in [call[0] for call in self.server.calls], code == 0)
            self.assertEqual(ID_A in err, code == 65)

    def test_merged_by_name(self):
        """The child that a record is merged into is named as every other is."""
        row = {"patient": ID_B, "label": "HM-0142", "team": "fell-side"}
        for name in "HM-0142", ID_B:
            self.server.reset(patients={"rows": [row]},
                              record={"seqs": [1], "repeated": [], "opened": [], "settled": []}, patient={})
            code, _, err = self.betony("record", "patient.merged", "--patient", ID_A, "--into", name)
            self.assertEqual(code, 0, err)
            sent = [params for method, params in self.server.calls if method == "record"][0]["events"][0]
            self.assertEqual((sent["patient"], sent["body"]["into"]), (ID_A, ID_B))

    def test_still_open(self):
        """What was open for now before is told again, with the child's own plan while a device is out."""
        alert = {"name": "tube-out", "stoma": "main", "urgency": "now", "since": 1772370000000, "found": "It is out.",
                 "next_step": "Go to hospital."}
        page = {"patient": ID_A, "alerts": [alert, {"name": "fit-tight", "stoma": "main", "urgency": "soon"}],
                "emergency": {"plan": {"steps": "Cover the site."}}}
        row = {"patient": ID_A, "label": "HM-0142", "team": "fell-side", "closed": True}
        self.server.reset(record={"seqs": [1], "repeated": [], "opened": [], "settled": []}, patient=page,
                          patients={"rows": [row]})
        line = ["record", "note.written", "--patient", "HM-0142", "--text", "x", "--at", "2026-03-01T14:00:00Z"]
        code, out, err = self.betony(*line)
        self.assertEqual(code, 0)
        self.assertIn("recorded: note.written of HM-0142 (fell-side), 2026-03-01 14:00 UTC", out)
        self.assertIn("closed", err)
        self.assertLess(out.index("Cover the site."), out.index("Go to hospital."))
        self.assertIn("still open: fit-tight (soon)", out)
        self.assertIn("does not replace clinical judgement", out)
        self.assertNotIn("Go to hospital.", self.betony(*line, "--want", "none")[1])

    def test_withdrawn(self):
        self.server.reset(record={"seqs": [1], "repeated": [], "opened": [], "settled": []},
                          history=lambda p: {"rows": [{"id": ID_A}]} if "after" in p else {"rows": [], "after": "t"})
        code, out, err = self.betony("record", "event.withdrawn", "--patient", ID_B, "--event", ID_A, "--reason", "r")
        self.assertEqual((code, err), (0, ""))
        self.assertIn("withdrawal.confirmed", out)
        code, _, err = self.betony("record", "event.withdrawn", "--patient", ID_B, "--event", ID_B, "--reason", "r")
        self.assertEqual(code, 0)
        self.assertIn("no event " + ID_B, err)

    def test_nearest_name(self):
        self.assertIn("did you mean balloon.checked?", self.betony("record", "balloon.check")[2])
        self.assertIn("did you mean balloon-low?",
                      self.record("contact.made", "--patient", ID_A, "--about", "balloon-lwo")[2])
        self.assertIn("did you mean record?", self.betony("recrod")[2])
        self.assertNotIn("did you mean", self.betony("frobnicate")[2])

    def test_child_by_name(self):
        rows = [{"patient": ID_A, "label": "HM-0142", "team": "fell-side"},
                {"patient": ID_B, "label": "HM-01421", "team": "mill-lane"}]
        page = {"patient": ID_A, "label": "HM-0142", "level": "note"}
        self.server.reset(patients={"rows": rows}, patient=page)
        code, out, _ = self.betony("patient", "HM-0142", "--at", "2026-03-01T14:00:00Z")
        self.assertEqual(code, 0)
        self.assertEqual(self.server.calls[-1], ("patient", {"patient": ID_A, "at": 1772373600000}))
        self.assertIn("IF THE DEVICE COMES OUT", out)
        rows[1]["label"] = "HM-0142"
        code, _, err = self.betony("patient", "HM-0142")
        self.assertEqual(code, 65)
        self.assertIn(ID_A, err)
        self.assertIn(ID_B, err)
        self.server.reset(patients=lambda p: {"rows": rows[:1] if p.get("identifier") == "H7" else []}, patient=page)
        self.assertEqual(self.betony("patient", "H7")[0], 0)
        code, _, err = self.betony("patient", "HM-9")
        self.assertEqual(code, 65)
        self.assertIn("unknown-patient", err)


class Page(Case):
    """One child's page: the order at night, nothing dumped raw, nothing left out."""
    NOW = 1772370000000  # 2026-03-01 13:00 in London
    DAY = 86400000

    def task(self, name, state, days, **more):
        due = self.NOW - self.NOW % self.DAY + days * self.DAY
        return {"task": name, "title": name.capitalize() + more.pop("of", ""), "stoma": "main", "state": state,
                "due_on": "2026-03-%02d" % (1 + days), "due_at": due, "overdue_at": due + self.DAY, **more}

    def page(self, **more):
        tasks = [self.task("weight", "upcoming", 20)]
        tasks += [self.task("training", "upcoming", 29, of=" %d" % i, due_at=self.NOW + (90 + i) * self.DAY)
                  for i in range(4)]
        tasks += [self.task("taping", "due", 0), self.task("balloon-check", "overdue", 0, overdue_at=self.NOW - 3 * self.DAY),
                  self.task("rotate", "overdue", 0, overdue_at=self.NOW - 9 * self.DAY)]
        status = {
            "patient": ID_A, "label": "HM-0142", "team": "fell-side", "level": "now", "at": self.NOW,
            "home_change": {"allowed": False, "reasons": ["young", "something-new"]},
            "emergency": {"plan": {"steps": "Own plan.", "keep_open": True, "phone": "01632 960901"},
                          "steps": ["General step.", "This supports and does not replace clinical judgement: x."]},
            "record": {"born": "2020-01-01", "latex_allergy": True, "active": False, "new_key": "kept",
                       "identifiers": [{"system": "urn:x", "value": "7"}], "use": [{"item": "set", "per_day": 0.15}],
                       "contacts": [{"role": "surgeon", "name": "on call", "phone": "01632 960950"}],
                       "stay": {"where": "hospital", "started_at": self.NOW - self.DAY},
                       "feed": {"mode": "both", "ml_day": 700, "prescribed_at": self.NOW}},
            "stomas": [{"stoma": "main", "state": "in", "formed_on": "2026-02-01", "age_days": 28, "mature_on": "2026-04-26",
                        "device": {"retention": "balloon", "profile": "low", "tip": "stomach", "french_fr": 14,
                                   "balloon_ml": 5, "lot": "L1", "new_mark": "m"}}],
            "tasks": tasks,
            "alerts": [{"name": "blocked", "stoma": "main", "urgency": "now", "since": self.NOW, "found": "It is blocked.",
                        "next_step": "Flush it.", "rule": "r", "basis": "b"}],
            "carers": [{"carer": "mother", "skills": [{"skill": "daily-care", "level": "shown", "until": "2026-02-01",
                                                       "in_date": False}]}],
            "spare": {"required": ["same"], "counted": []},
            "forecast": {"balloon": {"loss_ml_week": 0.1, "low": -0.02, "high": 0.29, "next_expected_ml": 4.9}},
            "trend": {"checks": [{"at": self.NOW, "stuck": True, "left_empty": True, "prescribed_ml": 5}], "weights": []},
            "plan": [{"task": "rotate", "every_days": 1, "set_at": self.NOW}],
            "ended": [{"name": "fit-tight", "how": "settled", "ended_at": self.NOW, "evidence": [ID_B]}], **more}
        self.server.reset(patient=status)
        code, out, err = self.betony("patient", ID_A)
        self.assertEqual(code, 0, err)
        return out

    def assertInOrder(self, out, *parts):
        at = 0
        for part in parts:
            self.assertIn(part, out[at:])
            at = out.index(part, at)

    def test_order(self):
        out = self.page()
        self.assertInOrder(out, "LATEX ALLERGY", "IF THE DEVICE COMES OUT", "Own plan.", "General step.", "OPEN ALERTS (1)",
                           "Flush it.", "CONTACTS", "01632 960950", "TASKS", "overdue 10 days", "Rotate", "overdue 4 days",
                           "Balloon-check", "Taping", "Weight", "STOMA", "LAST MEASUREMENTS", "SPARES", "CARERS", "RECORD",
                           "does not replace clinical judgement")
        self.assertEqual(out.count("does not replace clinical judgement"), 1)
        self.assertIn("Renew training: 4 skills", out)
        self.assertNotIn("Training 1", out)

    def test_words(self):
        out = self.page()
        for said in ("AWAY NOW     hospital, from 2026-02-28", "NOT allowed: the stoma is young, something-new",
                     "a catheter to keep the stoma open: yes", "2026-02-01, 28 days old", "not before 2026-04-26",
                     "lot L1, new mark m", "also         new key kept", "active: no", "urn:x: 7", "set: 0.15 a day",
                     "both, 700 mL a day, prescribed 2026-03-01", "NONE COUNTED", "rule       r (basis: b)",
                     "(95 % interval: no loss to 0.29 mL)", "nothing  left empty", "every day"):
            self.assertIn(said, out)
        self.assertRegex(out, r"mother +daily-care +shown +2026-02-01 +NO\n")
        self.assertRegex(out, r"fit-tight +settled +2026-03-01 13:00\n")
        for raw in ("loss_ml_week", "every_days", "evidence", ID_B, "in_date"):
            self.assertNotIn(raw, out)

    def test_device_out(self):
        out = self.page(stomas=[{"stoma": "main", "state": "out"}])
        self.assertInOrder(out, "THE DEVICE IS OUT", "Own plan.", "OPEN ALERTS (1)", "IN GENERAL", "General step.")
        out = self.page(emergency={"plan": {"steps": "Own plan."}, "second_plan": {"steps": "Second plan."}})
        self.assertInOrder(out, "Own plan.", "For the second stoma", "Second plan.")

    def test_registered_twice(self):
        """Another record that looks like this one is told at the head, with its id and with what to do."""
        like = {"patient": ID_B, "label": "HM-0142", "team": "fell-side", "why": "identifier", "closed": True}
        out = " ".join(self.page(doubles=[like, {**like, "why": "born-and-label", "closed": False}]).split())
        self.assertInOrder(out, f"REGISTERED TWICE? HM-0142 of fell-side ({ID_B}, closed) has the same identifier.",
                           f"betony record patient.merged --patient {ID_A} --into {ID_B}", "patient.reopened",
                           f"HM-0142 of fell-side ({ID_B}) has the same label and date of birth.", "OPEN ALERTS")
        self.assertNotIn("TWICE", self.page(doubles=[]))

    def test_closed_and_other_rules(self):
        out = self.page(closed={"at": self.NOW, "reason": "moved-away"}, other_rules=True)
        self.assertIn("THE RECORD IS CLOSED since 2026-03-01 13:00: moved-away", out)
        self.assertIn("Other rules or zone data", out)
        self.assertIn("NONE ON RECORD", self.page(emergency={"steps": []}))
        self.assertIn("NOBODY is on record", self.page(carers=[]))


class Lists(Case):
    def test_pages(self):
        def due(params):
            first = "after" not in params
            return {"rows": [{"label": "HM-%04d" % (1 if first else 2), "task": "taping", "state": "overdue",
                              "title": "T", "due_at": 1791414000000}], **({"after": "token"} if first else {})}
        self.server.reset(due=due)
        code, out, _ = self.betony("due", "--overdue", "--task", "balloon-check", "--task", "taping", "--team", "mill-lane")
        self.assertEqual(code, 0)
        self.assertEqual([call[1].get("after") for call in self.server.calls], [None, "token"])
        self.assertEqual(self.server.calls[0][1]["states"], ["overdue"])
        self.assertEqual(self.server.calls[0][1]["tasks"], ["balloon-check", "taping"])
        self.assertEqual(self.server.calls[0][1]["teams"], ["mill-lane"])
        self.assertIn("HM-0001", out)
        self.assertIn("HM-0002", out)
        # midnight of 8 October in London, also where the machine keeps another time
        self.assertIn("  2026-10-08  ", out)
        self.assertIn("  2026-10-08  ", self.betony("due", TZ="UTC")[1])
        self.assertIn("  2026-10-08  ", self.betony("due", TZ="Europe/Athens")[1])
        self.assertNotIn("\033", out)  # no decoration without a terminal
        code, out, _ = self.betony("due", "--limit", "1")
        self.assertIn("--after token", out)
        self.assertEqual(self.server.calls[-1][1]["limit"], 1)
        code, out, _ = self.betony("due", "--json")
        self.assertEqual([row["label"] for row in json.loads(out)["rows"]], ["HM-0001", "HM-0002"])
        self.assertNotIn("after", json.loads(out))
        code, out, _ = self.betony("--ndjson", "due")
        self.assertEqual([json.loads(line)["label"] for line in out.splitlines()], ["HM-0001", "HM-0002"])

    def test_none_found(self):
        self.server.reset(patients={"rows": []}, devices={"rows": []}, due={"rows": []}, alerts={"rows": []})
        self.assertEqual(self.betony("patients", "--find", "x")[0], 1)
        self.assertEqual(self.betony("devices", "--lot", "x")[0], 1)
        self.assertEqual(self.betony("due")[0], 0)
        self.assertEqual(self.betony("alerts")[0], 0)
        self.assertEqual(self.betony("patients")[1], "No children.\n")
        self.assertEqual(self.betony("due", "--before", "2026-10-25")[1], "No tasks.\n")
        self.assertEqual(self.server.calls[-1][1]["before"], 1792882800000)  # midnight in London, still summer time

    def test_doubles(self):
        row = {"label": "HM-1", "team": "mill-lane", "level": "settled", "born": "2024-05-01", "patient": ID_A}
        like = {"patient": ID_B, "label": "HM-0142", "team": "fell-side", "why": "identifier"}
        self.server.reset(patients={"rows": [{**row, "doubles": [like]}]})
        code, out, _ = self.betony("patients", "--doubles")
        self.assertEqual((code, self.server.calls[-1][1]["doubles"]), (0, True))
        self.assertIn("looks like", out)
        self.assertIn(f"HM-0142 of fell-side ({ID_B}) has the same identifier", out)
        self.server.reset(patients={"rows": [{**row, "doubles": [like] * 16}]})
        self.assertRegex(self.betony("patients", "--doubles")[1], "; and [0-9]+ more")
        self.server.reset(patients={"rows": [row]})
        self.assertNotIn("looks like", self.betony("patients")[1])
        self.assertIn("--doubles", self.betony("completion", "bash")[1])

    def test_outdone(self):
        """Of two edits of one field the one that lost says which."""
        row = {"kind": "patient.revised", "at": 1772370000000, "received_at": 1772370000000, "by": "nurse-a",
               "body": {"address": "1 Quay Road", "hours_without_feed_max": 4}, "id": ID_A, "withdrawn": False}
        self.server.reset(history={"rows": [{**row, "outdone": ["address", "hours_without_feed_max"]}]})
        out = self.betony("history", ID_A)[1]
        self.assertIn(f"[{ID_A}] (address, hours without feed max: a later edit holds)", out)
        self.server.reset(history={"rows": [row]})
        self.assertNotIn("later edit", self.betony("history", ID_A)[1])

    def test_history(self):
        """What became of an event is told before what it says, and its id stands with it."""
        base = {"kind": "balloon.checked", "at": 1772370000000, "received_at": 1772373600000, "by": "nurse-a",
                "source": "seen", "body": {"withdrawn_ml": 4}}
        self.server.reset(history={"rows": [
            {**base, "id": ID_A, "withdrawn": True, "withdrawn_by": ID_B}, {**base, "id": ID_B, "withdrawn": False},
            {**base, "id": ID_A, "withdrawn": False, "withdrawal_waits": ID_B, "stoma": "second"},
            {**base, "id": ID_B, "kind": "note.written", "body": {"text": "The words."}},
            {**base, "id": ID_B, "withdrawn": True, "waits": True, "replaces": ID_A}]})
        code, out, _ = self.betony("history", ID_A)
        self.assertEqual(code, 0)
        lines = out.splitlines()
        self.assertRegex(lines[1], f"  WITHDRAWN: withdrawn 4 mL .{ID_A}.$")
        self.assertRegex(lines[2], f"nurse-a, seen +2026-03-01 14:00  withdrawn 4 mL .{ID_B}.$")
        self.assertIn("WAITS FOR A SECOND PERSON: second stoma: withdrawn 4 mL", lines[3])
        self.assertIn("  The words. [", lines[4])
        self.assertIn("  DOES NOT COUNT YET, WAITS FOR A SECOND PERSON: withdrawn 4 mL [", lines[5])

    def test_devices_and_rules(self):
        self.server.reset(
            devices={"rows": [{"label": "HM-1", "team": "t", "stoma": "main", "retention": "balloon", "profile": "low",
                               "tip": "stomach", "french_fr": 14, "lot": "L1", "serial": "S1", "placed_at": 1772370000000}]},
            rules={"values": [{"name": "fluids-allowed", "value": 5, "unit": "set", "basis": "leaflets"},
                              {"name": "fever-c", "value": 38, "unit": "Cel", "basis": "b", "approved_by": "lead",
                               "adopted_at": 1772370000000}]})
        out = self.betony("devices")[1]
        self.assertIn("balloon, low profile, tip in the stomach, 14 Fr, serial S1, placed 2026-03-01 13:00", out)
        self.assertIn("  L1  ", out)
        self.assertNotIn("change due", out)  # no row says anything of it
        out = self.betony("rules")[1]
        self.assertIn("sterile-water, distilled-water; leaflets", out)
        self.assertIn("ADOPTED by lead, 2026-03-01; b", out)
        self.assertIn("\N{DEGREE SIGN}C", out)

    def test_clock(self):
        alert = {"name": "tube-out", "label": "HM-0113", "urgency": "now", "since": 1772370000000, "aim": 1772373600000,
                 "deadline": 1772377200000, "found": "f", "next_step": "n"}
        self.server.reset(alerts={"rows": [alert]})
        _, out, _ = self.betony("alerts")
        self.assertIn("aim 2026-03-01 14:00 passed", out)
        self.assertIn("deadline 2026-03-01 15:00 passed", out)

    def test_harmless(self):
        row = {"label": "a\033[2Jb\u202ec\nd", "team": "\u009b1m", "level": "note", "patient": ID_A}
        self.server.reset(patients={"rows": [row]})
        _, out, _ = self.betony("patients")
        self.assertIn("a?[2Jb?c d", out)
        self.assertNotIn("\033", out)
        self.assertNotIn("\u009b", out)
        self.assertEqual(json.loads(self.betony("patients", "--json")[1])["rows"], [row])

    def test_terminal(self):
        """On a terminal the table is folded to its width, nothing is cut, and NO_COLOR takes the weight away."""
        self.server.reset(due={"rows": [{"label": "HM-1", "state": "overdue", "title": "Check the balloon water",
                                         "due_at": 1772370000000, "detail": "word " * 40 + "end",
                                         "label": "HM-0142", "team": "a-team-with-a-long-name-indeed"}]})
        for no_color in ("", "1"):
            main, child = os.openpty()
            import fcntl, struct, termios
            fcntl.ioctl(child, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 100, 0, 0))
            env = {"PATH": os.environ["PATH"], "TERM": "xterm", "NO_COLOR": no_color}
            done = subprocess.run([BETONY, "due", "--connect", "unix:" + self.server.path], stdout=child, env=env,
                                  timeout=60)
            os.close(child)
            text = b""
            try:
                while data := os.read(main, 65536):
                    text += data
            except OSError:
                pass
            os.close(main)
            self.assertEqual(done.returncode, 0)
            self.assertEqual(b"\033[1m" in text, not no_color)
            plain = text.replace(b"\033[1m", b"").replace(b"\033[0m", b"").decode()
            self.assertLessEqual(max(len(line) for line in plain.splitlines()), 100)
            self.assertEqual(plain.count("word"), 40)
            self.assertIn("end", plain)
            self.assertNotIn("detail", plain)  # a last column that would be squeezed goes under its row
            self.assertIn("\n    word word", plain.replace("\r", ""))


class Load(Case):
    def setUp(self):
        self.events = []

        def record(params):
            for i, event in enumerate(params["events"]):
                if event["body"].get("text") == "refuse":
                    raise Fault({"code": "bad-value", "message": "Not this.", "field": "text", "event": i})
            self.events += params["events"]
            return {"seqs": [], "repeated": []}
        row = {"patient": ID_B, "label": "HM-0142"}
        self.server.reset(record=record, patients=lambda p: {"rows": [row] if p.get("find") == "HM-0142" else []})

    REGISTERED = json.dumps({"kind": "patient.registered", "at": "2026-03-01T09:00:00Z",
                             "body": {"label": "HM-1", "born": "2020-01-01", "zone": "UTC", "team": "t"}})

    def note(self, text, patient="HM-1", **more):
        return json.dumps({"kind": "note.written", "patient": patient, "at": 1772370000000, "body": {"text": text}, **more})

    def test_lines(self):
        path = self.file("a", "\n".join([self.REGISTERED, "", self.note("one"), self.note("two", "HM-0142"),
                                         self.note("three", ID_A, id=ID_B, source="seen")]) + "\n")
        code, out, err = self.betony("load", path)
        self.assertEqual(code, 0, err)
        self.assertIn("4 events read", out)
        registered, one, two, three = self.events
        self.assertEqual(registered["at"], 1772355600000)
        self.assertEqual(one["patient"], registered["patient"])
        self.assertEqual(two["patient"], ID_B)
        self.assertEqual((three["patient"], three["id"], three["source"]), (ID_A, ID_B, "seen"))
        self.assertTrue(all(event["id"][14] == "7" for event in self.events))
        first, self.events = self.events, []
        self.betony("load", path)
        self.assertEqual(first, self.events)  # the same file gives the same events with the same ids
        self.events = []
        with open(path) as file:
            self.assertEqual(self.betony("load", "-", stdin=file.read())[0], 0)
        self.assertEqual(first, self.events)

    def test_times_inside(self):
        line = json.dumps({"kind": "tube.out", "patient": ID_A, "at": "2026-03-01T14:00:00.5+01:00",
                           "body": {"trained_present": "yes", "last_seen_at": "2026-03-01T12:00:00Z"}})
        self.assertEqual(self.betony("load", self.file("a", line))[0], 0)
        self.assertEqual(self.events[0]["at"], 1772370000500)
        self.assertEqual(self.events[0]["body"]["last_seen_at"], 1772366400000)

    def test_bad_lines(self):
        for line, said in [("{", "JSON"), ("[]", "not a JSON object"), ('{"kind":"note.written"}', "field at"),
                           ('{"kind":"nothing","at":1}', "field kind"),
                           ('{"kind":"note.written","at":1,"at":2}', "duplicate"),
                           ('{"kind":"note.written","at":"soon"}', "field at"),
                           ('{"kind":"note.written","at":1,"id":"x"}', "field id"),
                           ('{"kind":"note.written","at":1,"body":{"words":"x"}}', "field words"),
                           ('{"kind":"note.written","at":1,"bdy":{}}', "field bdy"),
                           ('{"kind":"note.written","at":1,"body":[]}', "field body"),
                           ('{"kind":"note.written","patient":"HM-9","at":1,"body":{}}', "field patient")]:
            self.events = []
            with self.subTest(line=line):
                code, _, err = self.betony("load", self.file("a", self.note("one", ID_A) + "\n" + line + "\n"))
                self.assertEqual(code, 65, err)
                self.assertIn(":2: ", err)
                self.assertIn(said, err)
                if "patient" not in said:  # looking a label up sends what was read before it
                    self.assertEqual(self.events, [])

    def test_refused_by_the_server(self):
        path = self.file("a", "\n".join(self.note(text, ID_A) for text in ("one", "refuse", "three")))
        code, out, err = self.betony("load", path)
        self.assertEqual(code, 65)
        self.assertIn("a:2: field text: Not this. [bad-value]", err)
        self.assertEqual(err.count("Not this."), 1)
        self.assertEqual(self.events, [])
        self.assertIn("Loading the file again goes on", out)
        code, out, err = self.betony("load", "--keep-going", path)
        self.assertEqual(code, 65)
        self.assertEqual([event["body"]["text"] for event in self.events], ["one", "three"])
        with open(path + ".rejected") as rejected:
            self.assertEqual(rejected.read(), self.note("refuse", ID_A) + "\n")
        self.assertIn("1 rejected", out)

    def test_many_and_lost(self):
        """Several batches on the wire; the connection goes in the middle: every event arrives, in order, with its own id."""
        seen, lost = {}, []

        def record(params):
            if len(seen) > 1000 and len(lost) < 2:
                lost.append(1)
                return ...
            repeated = [event["id"] for event in params["events"] if event["id"] in seen]
            seen.update((event["id"], event) for event in params["events"])
            return {"seqs": [], "repeated": repeated}
        self.server.reset(record=record)
        path = self.file("a", "\n".join(self.note("n%d" % i, ID_A) for i in range(6000)))
        code, out, err = self.betony("load", path, "--json")
        self.assertEqual(code, 0, err)
        self.assertEqual(len(lost), 2)
        self.assertEqual([event["body"]["text"] for event in seen.values()], ["n%d" % i for i in range(6000)])
        counts = json.loads(out)
        self.assertEqual((counts["lines"], counts["events"], counts["rejected"]), (6000, 6000, 0))
        # a batch whose answer was lost with the connection was stored, and counts as repeated when it is sent again
        self.assertEqual(counts["stored"] + counts["repeated"], 6000)
        code, out, _ = self.betony("load", path, "--json")
        self.assertEqual(json.loads(out)["repeated"], 6000)


class Completion(Case):
    def complete(self, *words):
        script = self.betony("completion", "bash", connect=False)[1]
        ask = ('source /dev/stdin\nCOMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); _betony; printf "%s\\n" "${COMPREPLY[@]}"')
        done = subprocess.run(["bash", "-c", ask, "bash", "betony", *words], input=script, capture_output=True, text=True,
                              timeout=60)
        self.assertEqual(done.stderr, "")
        return done.stdout.split()

    def test_bash(self):
        self.assertEqual(self.complete("pat"), ["patients", "patient"])
        self.assertEqual(self.complete("record", "balloon."), ["balloon.checked"])
        self.assertEqual(self.complete("record", "balloon.checked", "--wi"), ["--withdrawn-ml"])
        self.assertEqual(self.complete("record", "balloon.checked", "--look", "c"), ["clear", "cloudy"])
        self.assertEqual(self.complete("due", "--state", ""), ["upcoming", "due", "overdue"])
        self.assertEqual(self.complete("--json", "--timeout", "5", "due", "--ov"), ["--overdue"])


class Manual(Case):
    def test_manual_is_current(self):
        """Every verb, flag of every verb, exit code and environment variable stands in betony(1)."""
        with open(os.path.join(SOURCE, "ops", "man", "betony.1")) as file:
            page = file.read()
        helps = self.betony("--help")[1]
        verbs = [line.split()[0] for line in helps.split("Verbs:\n")[1].split("\n\n")[0].splitlines()
                 if line.startswith("  ")]
        self.assertGreater(len(verbs), 10)
        for verb in verbs:
            self.assertIn(f".It Cm {verb}", page)
            if verb == "record":
                continue
            for word in self.betony(verb, "--help")[1].split():
                if word.startswith("--") and word not in ("--help", "--usage", "--version"):
                    flag = word[2:].split("=")[0].rstrip(",.;")
                    self.assertIn(f"Fl -{flag}", page, verb)
        for code in ("64", "65", "66", "69", "70", "74", "75", "76", "77"):
            self.assertIn(f".It {code}", page)
        for name in ("BETONY_CONNECT", "BETONY_SECRET", "NO_COLOR"):
            self.assertIn(f".It Ev {name}", page)

    def test_library_manual_is_current(self):
        """Every function of betony.h stands in libbetony(3)."""
        with open(os.path.join(SOURCE, "client", "lib", "betony.h")) as header:
            names = set()
            for line in header:
                if line.startswith("BETONY_API"):
                    names.add(line.split("(")[0].split()[-1].lstrip("*"))
        self.assertGreater(len(names), 50)
        with open(os.path.join(SOURCE, "ops", "man", "libbetony.3")) as file:
            page = file.read()
        for name in sorted(names):
            self.assertIn(name, page)


if __name__ == "__main__":
    unittest.main(argv=[sys.argv[0]], verbosity=1)
