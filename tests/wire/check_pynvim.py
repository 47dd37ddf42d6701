#!/usr/bin/python3
"""A MessagePack-RPC client that nobody here wrote (Debian's python3-pynvim) says hello, records and queries, over the Unix socket and
over loopback TCP.

Usage: check_pynvim.py SOURCE_DIR BUILD_DIR
"""
import os
import re
import secrets
import signal
import subprocess
import sys
import tempfile
import time

from pynvim.msgpack_rpc import socket_session, tcp_session

WAIT_S = 20


def new_id():
    """A version 7 UUID (RFC 9562, 5.7)."""
    value = int(time.time() * 1000) << 80 | 7 << 76 | secrets.randbits(12) << 64 | 2 << 62 | secrets.randbits(62)
    text = f"{value:032x}"
    return "-".join((text[:8], text[8:12], text[12:16], text[16:20], text[20:]))


class Daemon:
    def __init__(self, program, directory):
        self.socket = os.path.join(directory, "s")
        self.process = subprocess.Popen(
            [program, "run", "--store", os.path.join(directory, "store"), "--listen", "127.0.0.1:0", "--socket", self.socket],
            stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        signal.alarm(WAIT_S)
        line = self.process.stderr.readline()
        signal.alarm(0)
        found = re.search(r"ready: .*127\.0\.0\.1:(\d+)", line)
        assert found, f"the daemon did not become ready: {line!r}"
        self.port = int(found.group(1))

    def stop(self):
        self.process.terminate()
        code = self.process.wait(timeout=WAIT_S)
        self.process.stderr.close()
        assert code == 0, f"exit {code}"

    def kill(self):
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()


def refused(session, method, params):
    try:
        session.request(method, params)
    except Exception as error:  # the client raises what the server answered
        return str(error)
    raise AssertionError(f"{method} {params} was not refused")


def through(session, label, team):
    session.error_wrapper = lambda error: Exception(f"{error['code']}: {error['message']}")
    now = int(time.time() * 1000)
    child, check = new_id(), new_id()
    hello = session.request("hello", {"account": "script", "agent": "pynvim"})
    assert hello["protocol"] == 1 and abs(hello["now"] - now) < 60000, hello

    day = 86400000
    answer = session.request("record", {"events": [
        {"kind": "patient.registered", "patient": child, "at": now - 20 * day,
         "body": {"label": label, "born": "2021-02-03", "zone": "Europe/London", "team": team}},
        {"kind": "stoma.formed", "patient": child, "at": now - 20 * day, "body": {"formed_on": "2023-01-01", "how": "endoscopic"}},
        {"kind": "device.placed", "patient": child, "at": now - 20 * day,
         "body": {"retention": "balloon", "profile": "low", "tip": "stomach", "french_fr": 12, "balloon_ml": 5.0, "why": "scheduled",
                  "place": "clinic", "placed_by": "nurse", "position": "aspirate-ph", "ph": 4.5}}]})
    assert len(answer["seqs"]) == 3 and answer["repeated"] == [], answer

    rows = session.request("due", {"states": ["overdue"], "teams": [team], "tasks": ["balloon-check"]})["rows"]
    assert [row["label"] for row in rows] == [label], rows

    event = {"id": check, "kind": "balloon.checked", "patient": child, "at": now, "source": "seen",
             "body": {"withdrawn_ml": 3.4, "filled_ml": 5, "look": "clear"}}
    answer = session.request("record", {"events": [event], "want": "statuses"})
    # 3.4 of 5 mL: more than 0.5 mL is missing (SickKids Connected Care, changing balloon G tubes)
    assert "balloon-low" in [alert["name"] for alert in answer["opened"]], answer
    assert [status["patient"] for status in answer["statuses"]] == [child], answer
    again = session.request("record", {"events": [event]})
    assert again["repeated"] == [check], again

    status = session.request("patient", {"patient": child})
    assert status["label"] == label and status["level"] == "today", status
    history = session.request("history", {"patient": child})["rows"]
    assert history[0]["id"] == check and history[0]["by"] == "script" and history[0]["body"]["withdrawn_ml"] == 3.4, history[0]
    assert session.request("due", {"states": ["overdue"], "teams": [team], "tasks": ["balloon-check"]})["rows"] == []
    assert "unknown-method" in refused(session, "no-such-method", {})
    assert "unknown-patient" in refused(session, "patient", {"patient": new_id()})
    assert "now" in session.request("ping")  # an empty array of params


def main():
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    program = os.path.join(sys.argv[2], "bin", "betonyd")
    with tempfile.TemporaryDirectory() as directory:
        daemon = Daemon(program, directory)
        try:
            signal.alarm(60)
            over_socket = socket_session(daemon.socket)
            through(over_socket, "HM-0001", "north-shore")
            over_socket.close()
            over_tcp = tcp_session("127.0.0.1", daemon.port)
            through(over_tcp, "HM-0002", "mill-lane")
            over_tcp.close()
            signal.alarm(0)
            daemon.stop()
        finally:
            daemon.kill()
    print("pynvim spoke over the socket and over TCP")


if __name__ == "__main__":
    main()
