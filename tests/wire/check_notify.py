#!/usr/bin/env python3
"""What a service manager is told: ready once calls are answered, alive as often as it asks, stopping; and that it may be absent.

Usage: check_notify.py SOURCE_DIR BUILD_DIR
"""
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time

SPAN_US = 600000  # the manager's patience; a sign of life is due twice in it


class Manager:
    def __init__(self, name):
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.settimeout(60)
        self.socket.bind(name)

    def next(self):
        return self.socket.recv(4096).decode()

    def silent(self):
        self.socket.setblocking(False)
        try:
            return self.socket.recv(4096).decode()
        except BlockingIOError:
            return None
        finally:
            self.socket.settimeout(60)


class Daemon:
    """pid_of: None, or what is added to the daemon's own pid for WATCHDOG_PID, set between fork and exec as a manager does."""

    def __init__(self, program, store, pid_of=None, **environment):
        env = {k: v for k, v in os.environ.items() if k not in ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID")}
        env.update(environment)
        command = [program, "run", "--store", store, "--listen", "none"]
        if pid_of is None:
            self.process = subprocess.Popen(command, env=env, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL)
        else:
            wrapper = ("import os, sys; os.environ['WATCHDOG_PID'] = str(os.getpid() + int(sys.argv[1])); "
                       "os.execv(sys.argv[2], sys.argv[2:])")
            self.process = subprocess.Popen([sys.executable, "-c", wrapper, str(pid_of), *command], env=env,
                                            stderr=subprocess.PIPE, stdin=subprocess.DEVNULL)

    def ready(self):
        for line in self.process.stderr:
            if b"ready" in line:
                return
        raise SystemExit("FAILED: the daemon did not become ready")

    def stop(self):
        self.process.send_signal(signal.SIGTERM)
        self.process.stderr.read()
        assert self.process.wait(60) == 0, "exit code on SIGTERM"


def signs_of_life(manager, count):
    began = time.monotonic()
    for _ in range(count):
        word = manager.next()
        assert word == "WATCHDOG=1", word
    return time.monotonic() - began


def told_all(program, directory, name):
    manager = Manager(name)
    address = name.replace("\0", "@")
    daemon = Daemon(program, os.path.join(directory, "store"), 0, NOTIFY_SOCKET=address, WATCHDOG_USEC=str(SPAN_US))
    word = manager.next()
    assert word == "READY=1", word
    client = socket.socket(socket.AF_UNIX)  # ready means that it listens
    client.connect(os.path.join(directory, "store", "betonyd.sock"))
    client.close()
    took = signs_of_life(manager, 6)
    assert took < 6 * SPAN_US / 1e6, f"6 signs of life in {took:.1f} s"
    daemon.stop()
    words = []
    while not words or words[-1] != "STOPPING=1":
        words.append(manager.next())
    assert set(words[:-1]) <= {"WATCHDOG=1"}, words


def not_asked(program, directory):
    """Another process is the one to give signs of life; or the manager cannot be reached: the daemon does not mind."""
    manager = Manager(os.path.join(directory, "n2"))
    daemon = Daemon(program, os.path.join(directory, "store"), 1, NOTIFY_SOCKET=os.path.join(directory, "n2"),
                    WATCHDOG_USEC="1000")
    assert manager.next() == "READY=1"
    daemon.stop()
    assert manager.next() == "STOPPING=1"
    assert manager.silent() is None
    for wrong in (os.path.join(directory, "nobody"), "relative", "@", "", "/" + "x" * 300):
        daemon = Daemon(program, os.path.join(directory, "store"), None, NOTIFY_SOCKET=wrong, WATCHDOG_USEC="oats")
        daemon.ready()
        daemon.stop()


def main():
    program = os.path.join(sys.argv[2], "bin", "betonyd")
    directory = tempfile.mkdtemp(prefix="betony-notify-")
    told_all(program, directory, os.path.join(directory, "n1"))
    told_all(program, directory, f"\0betony-notify-{os.getpid()}")
    not_asked(program, directory)
    shutil.rmtree(directory)
    print("a service manager is told: ready, alive, stopping")


if __name__ == "__main__":
    main()
