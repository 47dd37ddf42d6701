#!/usr/bin/python3
"""`betony sync`, `refused` and `nodes` from outside: what they ask, what they print, how they end.

    check_cli_sync.py SOURCE-DIR BUILD-DIR
"""
import json
import sys
import time
import unittest

sys.dont_write_bytecode = True  # the tree of sources stays as it is
from check_cli import Case, Fault, ID_A, ID_B

NOW = int(time.time() * 1000)
MINUTE = 60000


def state(upstream=None, **more):
    result = {"node": ID_A, "seq": 20, "teams": ["mill-lane", "north-shore"], "refused": 0, "left": [], "replaced": [], **more}
    result["upstream"] = {"address": "127.0.0.1:7811", "node": ID_B, "state": "current", "last_contact": NOW - 3 * MINUTE,
                          "clock_offset_ms": 0, "round_trip_ms": 5, "out": 0, "in": 0, **(upstream or {})}
    return result


class Sync(Case):
    def sync(self, answer, *arguments):
        self.server.reset(sync_state=answer)
        code, out, err = self.betony("sync", *arguments)
        self.assertEqual((self.server.calls, err), ([("sync-state", {})], ""))
        return code, out

    def test_all_is_across(self):
        code, out = self.sync(state())
        self.assertEqual(code, 0, out)
        for said in ("127.0.0.1:7811", ID_B, "in contact", "3 min ago", "within a second", "mill-lane, north-shore",
                     "to go out     nothing\n", "to come in    nothing\n", "refused       nothing\n"):
            self.assertIn(said, out)

    def test_whatever_is_open_makes_code_1(self):
        for upstream, more, said in [
            ({"state": "waiting", "fault": "127.0.0.1:7811 closed the connection."}, {}, "closed the connection"),
            ({"out": 1}, {}, "1 event recorded here"), ({"state": "waiting"}, {}, "not known without contact"), ({"in": 12}, {}, "12 events at most"), ({"state": "pulling"}, {}, "fetching"),
            ({}, {"refused": 2}, "2 events; `betony refused'"), ({"last_contact": 0, "state": "connecting"}, {}, "never"),
        ]:
            with self.subTest(said=said):
                code, out = self.sync(state(upstream, **more))
                self.assertEqual(code, 1)
                self.assertIn(said, out)
                self.assertEqual(self.sync(state(upstream, **more), "--json")[0], 1)

    def test_clock(self):
        for offset, said in [(999, "within a second"), (-999, "within a second"), (1000, "1 s ahead of the upstream's"),
                             (-61000, "1 min behind the upstream's"), (7200000, "2 h ahead of")]:
            self.assertIn(said, self.sync(state({"clock_offset_ms": offset}))[1])

    def test_left_and_replaced(self):
        _, out = self.sync(state(left=[{"patient": ID_A, "label": "HM-0101", "at": NOW, "events": 12}],
                                 replaced=[{"patient": ID_A, "event": ID_B, "new_event": ID_A, "at": NOW}]))
        for said in ("LEFT THIS CASELOAD", "HM-0101", "12", "KEPT UNDER ANOTHER ID", ID_B):
            self.assertIn(said, out)

    def test_a_server_and_all_teams(self):
        code, out = self.sync({"node": ID_A, "seq": 20, "refused": 0, "left": [], "replaced": []})
        self.assertEqual(code, 1)
        self.assertIn("This is a server", out)
        answer = state(all_teams=True)
        del answer["teams"]
        self.assertIn("teams         all\n", self.sync(answer)[1])

    def test_json(self):
        code, out = self.sync(state(), "--json")
        self.assertEqual((code, json.loads(out)), (0, state()))


class Refused(Case):
    ROW = {"id": ID_B, "kind": "balloon.checked", "patient": ID_A, "at": NOW - 60 * MINUTE,
           "body": {"withdrawn_ml": 4, "look": "clear"}, "event": ID_B, "refused_at": NOW - 5 * MINUTE,
           "code": "not-allowed", "message": "The child is in another team."}

    def test_list(self):
        self.server.reset(refused={"rows": [self.ROW, {"event": ID_A, "refused_at": NOW, "code": "bad-value", "message": "No event."}]})
        code, out, _ = self.betony("refused")
        self.assertEqual(code, 0)
        self.assertEqual(self.server.calls, [("refused", {"limit": 500})])
        for said in ("balloon.checked of " + ID_A, "withdrawn 4 mL, look clear", "5 min ago",
                     "The child is in another team. [not-allowed]", ID_B, "2 refused events", "--again EVENT", "cannot read"):
            self.assertIn(said, out)
        code, out, _ = self.betony("refused", "--ndjson")
        self.assertEqual(json.loads(out.splitlines()[0]), self.ROW)

    def test_none(self):
        self.server.reset(refused={"rows": []})
        self.assertEqual(self.betony("refused")[:2], (0, "No refused events.\n"))

    def test_again_and_drop(self):
        for flag, said in (("again", "offered to the upstream again"), ("drop", "off the list")):
            self.server.reset(refused={"event": ID_B})
            code, out, _ = self.betony("refused", "--" + flag, ID_B)
            self.assertEqual((code, self.server.calls), (0, [("refused", {flag: ID_B})]))
            self.assertIn(said, out)
        self.assertEqual(self.betony("refused", "--again", ID_B, "--drop", ID_B)[0], 64)
        self.assertEqual(self.betony("refused", "--again", "5")[0], 64)

        def refuse(_):
            raise Fault({"code": "bad-value", "message": "No such event is on the list.", "field": "drop"})
        self.server.reset(refused=refuse)
        self.assertEqual(self.betony("refused", "--drop", ID_B)[0], 65)


class Nodes(Case):
    def test_list(self):
        self.server.reset(nodes={"rows": [
            {"node": ID_A, "teams": ["mill-lane"], "last_contact": NOW - MINUTE, "connections": 1, "agent": "betonyd 9",
             "known": 7, "seq": 95, "behind": 5},
            {"node": ID_B, "all_teams": True, "last_contact": 0, "known": 0, "connections": 0}], "truncated": True})
        code, out, _ = self.betony("nodes")
        self.assertEqual(code, 0)
        first, second = [line.split() for line in out.splitlines()[1:3]]
        self.assertEqual([first[0], first[1], first[-4:]], [ID_A, "mill-lane", ["yes", "5", "betonyd", "9"]])
        self.assertIn("1 min ago", out)
        self.assertEqual(second, [ID_B, "all", "never", "no"])
        self.assertIn("more than are listed", out)
        self.server.reset(nodes={"rows": []})
        self.assertEqual(self.betony("nodes")[:2], (0, "No node syncs with this server.\n"))


if __name__ == "__main__":
    unittest.main(argv=[sys.argv[0]], verbosity=1)
