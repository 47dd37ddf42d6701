#!/usr/bin/env python3
"""The Debian packages: made twice with the same bytes, linted, installed into a scratch root, run from there, upgraded, purged.

Usage: check_package.py SOURCE_DIR BUILD_DIR

The packages are made of what BUILD_DIR has built. As root the package manager itself installs them, with their scripts,
into a root of its own; otherwise they are unpacked.
"""
import glob
import hashlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile

EPOCH = "1764000000"
EX_NOINPUT = 66
NAMES = ("betony", "betonyd", "libbetony-dev", "libbetony0")
CONTENTS = {
    "betony": ("usr/bin/betony", "usr/share/bash-completion/completions/betony", "usr/share/man/man1/betony.1.gz"),
    "betonyd": ("usr/sbin/betonyd", "usr/share/man/man8/betonyd.8.gz", "etc/betony/betonyd.conf",
                "lib/systemd/system/betonyd.service", "lib/systemd/system/betonyd-backup.service",
                "lib/systemd/system/betonyd-backup.timer", "usr/lib/sysusers.d/betony.conf",
                "usr/lib/tmpfiles.d/betony.conf", "usr/libexec/betony/nightly-backup",
                "usr/share/doc/betonyd/OPERATIONS.md"),
    "libbetony0": ("libbetony.so.0",),
    "libbetony-dev": ("usr/include/betony.h", "libbetony.a", "libbetony.so", "pkgconfig/betony.pc",
                      "usr/share/man/man3/libbetony.3.gz"),
}


def run(*command, ok=(0,), **more):
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False, stdin=subprocess.DEVNULL, **more)
    assert done.returncode in ok, f"{' '.join(map(str, command))}: exit {done.returncode}\n{done.stdout}{done.stderr}"
    return done.stdout + done.stderr


def pack(build, to):
    run("cpack", "--config", os.path.join(build, "CPackConfig.cmake"), "-B", to, cwd=build,
        env={**os.environ, "SOURCE_DATE_EPOCH": EPOCH})
    found = {os.path.basename(path).split("_")[0]: path for path in glob.glob(os.path.join(to, "*.deb"))}
    assert tuple(sorted(found)) == NAMES, found
    return found


def same_bytes(one, other):
    for name in NAMES:
        sums = {hashlib.sha256(open(made[name], "rb").read()).hexdigest() for made in (one, other)}
        assert len(sums) == 1, f"{name}: the same sources gave other bytes"


def contents(packages, source, build):
    for name, path in packages.items():
        listed = run("dpkg-deb", "-c", path)
        for wanted in (*CONTENTS[name], f"usr/share/doc/{name}/copyright", f"usr/share/doc/{name}/changelog.gz"):
            assert re.search(rf"\./.*{re.escape(wanted)}( -> .*)?$", listed, re.M), f"{name} has no {wanted}:\n{listed}"
        assert set(re.findall(r"^\S+ (\S+)", listed, re.M)) == {"root/root"}, listed
    found = run("lintian", "--fail-on", "error", *packages.values(), ok=(0, 2))
    assert not re.search(r"^E: ", found, re.M), found


def no_paths_of_this_machine(root, source, build):
    for directory, _, files in os.walk(root):
        for file in files:
            path = os.path.join(directory, file)
            if os.path.isfile(path) and not os.path.islink(path) and not path.endswith(".a"):
                text = open(path, "rb").read()
                for place in (source, build):
                    assert place.encode() not in text, f"{path} names {place}"


def units(source, root):
    for unit in ("betonyd.service", "betonyd-backup.service"):
        run("systemd-analyze", "security", "--offline=true", "--threshold=15",
            os.path.join(source, "ops/systemd", unit))
    for target in glob.glob("/lib/systemd/system/*.target"):
        shutil.copy(target, os.path.join(root, "lib/systemd/system"))
    said = run("systemd-analyze", "verify", "--man=no", f"--root={root}", "betonyd.service", "betonyd-backup.timer",
               ok=(0, 1))
    assert "betonyd" not in said, f"systemd-analyze verify:\n{said}"


def configuration(source, root, work):
    """The installed file is read as it is; every key the daemon knows stands in it, and every key in it is one."""
    text = open(os.path.join(root, "etc/betony/betonyd.conf"), encoding="utf-8").read()
    code = open(os.path.join(source, "daemon/config.c"), encoding="utf-8").read()
    known = set(re.findall(r'strcmp\(key, "([a-z-]+)"\)', code)) | set(re.findall(r'^    \{"([a-z-]+)", offsetof', code, re.M))
    there = set(re.findall(r"^#?([a-z-]+)=", text, re.M))
    assert known == there and len(known) >= 8, (known, there)
    for name, version in (("as-it-is", text), ("all-set", re.sub(r"^#([a-z-]+=)", r"\1", text, flags=re.M))):
        path = os.path.join(work, name + ".conf")
        with open(path, "w", encoding="utf-8") as out:
            out.write(version)
        run(os.path.join(root, "usr/sbin/betonyd"), "backup", "--config", path, "--store", os.path.join(work, "none"),
            "--to", os.path.join(work, "never"), ok=(EX_NOINPUT,))
    with open(path, "a", encoding="utf-8") as out:
        out.write("oats=1\n")
    said = run(os.path.join(root, "usr/sbin/betonyd"), "run", "--config", path, ok=(78,))
    assert "oats" in said and said.count("\n") == 1, said


def allowed_calls(unit):
    """System calls that the unit's filter leaves, as systemd-analyze lists them."""
    sets, calls = {}, None
    for line in run("systemd-analyze", "syscall-filter").split("\n"):
        line = re.sub(r"\x1b\[[0-9;]*m", "", line)
        if line.startswith("@"):
            calls = sets.setdefault(line.strip(), set())
        elif line.startswith("    ") and calls is not None and not line.strip().startswith("#"):
            calls.add(line.strip())

    def resolve(name):
        return set().union(*(resolve(n) if n.startswith("@") else {n} for n in sets[name]))

    allowed = set()
    for words in re.findall(r"^SystemCallFilter=(.*)$", open(unit, encoding="utf-8").read(), re.M):
        for word in words.lstrip("~").split():
            allowed = allowed - resolve(word) if words.startswith("~") else allowed | resolve(word)
    return allowed | resolve("@default")


class Daemon:
    def __init__(self, root, work):
        self.store, self.log = os.path.join(work, "store"), os.path.join(work, "calls")
        self.config = os.path.join(work, "run.conf")
        text = open(os.path.join(root, "etc/betony/betonyd.conf"), encoding="utf-8").read()
        with open(self.config, "w", encoding="utf-8") as out:
            out.write(text.replace("/var/lib/betony/store", self.store).replace("/run/betony", work))
        command = [os.path.join(root, "usr/sbin/betonyd"), "run", "--config", self.config]
        self.traced = shutil.which("strace") is not None and \
            subprocess.run(["strace", "-o", os.devnull, "true"], capture_output=True, check=False).returncode == 0
        if self.traced:
            command = ["strace", "-f", "-qq", "-o", self.log, *command]
        self.process = subprocess.Popen(command, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True)
        for line in self.process.stderr:
            if "ready" in line:
                return
        raise SystemExit("FAILED: the installed daemon did not become ready")

    def stop(self):
        pid = int(open(os.path.join(self.store, "lock"), encoding="utf-8").read())  # under strace the child is the daemon
        os.kill(pid, signal.SIGTERM)
        self.process.stderr.read()
        assert self.process.wait(60) == 0

    def calls(self):
        return set(re.findall(r"^\d+ +([a-z_0-9]+)\(", open(self.log, encoding="utf-8", errors="replace").read(), re.M))


def programs(source, root, work):
    daemon = Daemon(root, work)
    betony = os.path.join(root, "usr/bin/betony")
    env = {**os.environ, "BETONY_CONNECT": "unix:" + os.path.join(work, "betonyd.sock")}
    assert json.loads(run(betony, "due", "--json", env=env)) is not None
    backups = os.path.join(work, "backups")
    others = ("2020-01-01T000000Z", "2020-01-02T000000Z", "2020-01-03T000000Z", "2020-01-04T000000Z.new", "of-my-own")
    for name in others:
        os.makedirs(os.path.join(backups, name))
    env = {**os.environ, "BETONY_BACKUP_DIR": backups, "BETONY_BACKUP_KEEP": "2", "BETONY_CONFIG": daemon.config,
           "BETONYD": os.path.join(root, "usr/sbin/betonyd")}
    nightly = os.path.join(root, "usr/libexec/betony/nightly-backup")
    assert re.match(r"backup of 0 events, .* verified in ", run(nightly, env=env))
    left = sorted(os.listdir(backups))
    assert len(left) == 3 and left[0] == "2020-01-03T000000Z" and left[2] == "of-my-own", left
    run(nightly, env={**env, "BETONY_BACKUP_KEEP": "none"}, ok=(78,))
    run(nightly, env={**env, "BETONY_CONFIG": os.path.join(work, "none.conf")}, ok=(78,))
    assert sorted(os.listdir(backups)) == left, "a backup that failed took another one away"
    daemon.stop()
    if daemon.traced:
        beyond = daemon.calls() - allowed_calls(os.path.join(source, "ops/systemd/betonyd.service"))
        assert len(daemon.calls()) > 20 and not beyond, f"the unit forbids {beyond} of {daemon.calls()}"
    run(os.path.join(root, "usr/sbin/betonyd"), "restore", "--from", os.path.join(backups, left[1]), "--store",
        os.path.join(work, "restored"))
    run("bash", "-n", os.path.join(root, "usr/share/bash-completion/completions/betony"))


def library(root, work):
    pc = glob.glob(os.path.join(root, "usr/lib/**/pkgconfig"), recursive=True)[0]
    lib = os.path.dirname(pc)
    env = {**os.environ, "PKG_CONFIG_PATH": pc, "PKG_CONFIG_SYSROOT_DIR": root}
    flags = run("pkg-config", "--cflags", "--libs", "betony", env=env).split()
    assert f"-I{root}/usr/include" in flags, flags
    code = os.path.join(work, "use.c")
    with open(code, "w", encoding="utf-8") as out:
        out.write("#include <betony.h>\nint main(void) { struct betony *b = betony_new(); betony_free(b); return b ? 0 : 1; }\n")
    run("cc", code, "-o", os.path.join(work, "use"), *flags)
    run(os.path.join(work, "use"), env={**os.environ, "LD_LIBRARY_PATH": lib})
    assert "libbetony.so.0" in run("readelf", "-d", os.path.join(work, "use"))


class Root:
    """A root of our own, as the package manager sees it: its scripts run with DPKG_ROOT."""

    def __init__(self, path):
        self.path = path
        for directory in ("var/lib/dpkg/updates", "var/lib/dpkg/info", "etc", "var/lib", "var/backups", "run"):
            os.makedirs(os.path.join(path, directory), exist_ok=True)
        for file, text in (("var/lib/dpkg/status", ""), ("etc/passwd", "root:x:0:0:root:/root:/bin/sh\n"),
                           ("etc/group", "root:x:0:\n"), ("etc/shadow", "root:*:19000::::::\n"), ("etc/gshadow", "root:*::\n")):
            with open(os.path.join(path, file), "w", encoding="utf-8") as out:
                out.write(text)

    def dpkg(self, *arguments):
        return run("dpkg", f"--root={self.path}", "--force-script-chrootless", "--force-depends", "--force-confold",
                   f"--log={self.path}/dpkg.log", *arguments, env={**os.environ, "DEBIAN_FRONTEND": "noninteractive"})

    def has(self, path):
        return os.path.lexists(os.path.join(self.path, path))


def managed(packages, path):
    """Installed, used, upgraded, removed, purged: the caseload is there to the last."""
    root = Root(path)
    root.dpkg("-i", *packages.values())
    assert "betony:x:" in open(os.path.join(path, "etc/passwd"), encoding="utf-8").read()
    for directory in ("var/lib/betony", "var/backups/betony"):
        assert os.stat(os.path.join(path, directory)).st_mode & 0o777 == 0o700, directory
    wants = "etc/systemd/system/multi-user.target.wants/betonyd.service"
    assert root.has(wants) and root.has("etc/systemd/system/timers.target.wants/betonyd-backup.timer")
    return root, wants


def goes_away(root, packages, wants):
    record = os.path.join(root.path, "var/lib/betony/store/log/data.mdb")
    os.makedirs(os.path.dirname(record))
    with open(record, "w", encoding="utf-8") as out:
        out.write("the record of the children")
    config = os.path.join(root.path, "etc/betony/betonyd.conf")
    with open(config, "a", encoding="utf-8") as out:
        out.write("# of my own\n")
    os.unlink(os.path.join(root.path, wants))  # an upgrade does not turn on what was turned off
    root.dpkg("-i", packages["betonyd"])
    assert open(config, encoding="utf-8").read().endswith("# of my own\n") and not root.has(wants)
    root.dpkg("-r", "betonyd")
    assert root.has("etc/betony/betonyd.conf") and not root.has("usr/sbin/betonyd") and os.path.exists(record)
    said = root.dpkg("-P", "betonyd")
    assert open(record, encoding="utf-8").read() == "the record of the children"
    assert "/var/lib/betony is kept" in said and not root.has("var/backups/betony"), said
    assert not root.has("etc/betony")
    for place in ("etc/systemd/system", "var/lib/systemd"):
        left = [f for _, _, files in os.walk(os.path.join(root.path, place)) for f in files if "betony" in f]
        assert not left, left
    shutil.rmtree(os.path.dirname(os.path.dirname(record)))
    root.dpkg("-i", packages["betonyd"])
    assert "is kept" not in root.dpkg("-P", "betonyd") and not root.has("var/lib/betony")


def main():
    source, build = (os.path.abspath(path) for path in sys.argv[1:3])
    cache = open(os.path.join(build, "CMakeCache.txt"), encoding="utf-8").read()
    if not re.search(r"^BETONY_SANITIZE:STRING=none$", cache, re.M):
        print("programs built for a sanitizer are not packed")
        return
    work = tempfile.mkdtemp(prefix="betony-package-")
    packages = pack(build, os.path.join(work, "one"))
    same_bytes(packages, pack(build, os.path.join(work, "two")))
    contents(packages, source, build)
    path = os.path.join(work, "root")
    root = None
    if os.geteuid() == 0:
        root, wants = managed(packages, path)
    else:
        for package in packages.values():
            run("dpkg-deb", "-x", package, path)
    no_paths_of_this_machine(path, source, build)
    units(source, path)
    configuration(source, path, work)
    programs(source, path, work)
    library(path, work)
    if root:
        goes_away(root, packages, wants)
    shutil.rmtree(work)
    print(f"{len(packages)} packages: the same bytes twice, no errors of lintian, installed, run, upgraded and purged"
          if root else f"{len(packages)} packages: the same bytes twice, no errors of lintian, unpacked and run")


if __name__ == "__main__":
    main()
