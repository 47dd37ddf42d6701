#!/usr/bin/python3
"""Local dates and due dates of the care rules against Python's zoneinfo and dateutil.

    check_zones.py SOURCE-DIR BUILD-DIR

An independent hand: nothing here is shared with the rules but the questions. The first instant of a local date is the
least instant at which the local date is that date or a later one: its midnight; where midnight is skipped or the date does
not exist, the first instant after; where midnight happens twice, the earlier. Seeded: the same questions every time.
"""
import random
import subprocess
import sys
from datetime import date, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

from dateutil.relativedelta import relativedelta
from dateutil.tz import tzfile

ZONES = """Europe/London Australia/Lord_Howe Africa/Cairo Asia/Beirut Pacific/Apia Europe/Dublin America/St_Johns
Asia/Kathmandu America/Havana America/Santiago America/Asuncion Africa/Casablanca Asia/Tehran Asia/Amman Asia/Gaza
America/Sao_Paulo Pacific/Chatham Pacific/Kiritimati Pacific/Kwajalein America/New_York Asia/Kolkata Europe/Lisbon
Asia/Pyongyang America/Caracas Antarctica/Troll Africa/Monrovia Asia/Damascus UTC""".split()
DATES = 10000
DUE_QUESTIONS = 3000
FIRST, LAST = date(1970, 1, 3), date(2099, 6, 1)
DATEUTIL_LAST = 2037  # dateutil reads no rule for the years after the table
EPOCH = date(1970, 1, 1)


def offset_s(zone, second):
    return int(zone.utcoffset(datetime.fromtimestamp(second, timezone.utc).astimezone(zone)).total_seconds())


def local_date(zone, second):
    return datetime.fromtimestamp(second, zone).date()


def first_instant(zone, day):
    """Least UTC second at which the local date is `day` or later."""
    start = (day - EPOCH).days * 86400
    samples = range(start - 27 * 3600, start + 51 * 3600, 3 * 3600)
    candidates, last, last_offset = set(), None, None
    for second in samples:
        offset = offset_s(zone, second)
        candidates.add(start - offset)
        if last is not None and offset != last_offset:
            low, high = last, second
            while high - low > 1:  # the transition between two samples
                middle = (low + high) // 2
                if offset_s(zone, middle) == last_offset:
                    low = middle
                else:
                    high = middle
            candidates.add(high)
        last, last_offset = second, offset
    return min(second for second in candidates if local_date(zone, second) >= day)


class Questions:
    def __init__(self):
        self.lines, self.wanted = [], []

    def ask(self, line, wanted):
        self.lines.append(line)
        self.wanted.append(wanted)


def task(zone, due, overdue_after):
    return (f"{due.isoformat()} {first_instant(zone, due) * 1000} "
            f"{first_instant(zone, overdue_after + timedelta(days=1)) * 1000}")


def ask_dates(questions, random_source):
    span = (LAST - FIRST).days
    for _ in range(DATES):
        name = random_source.choice(ZONES)
        zone, day = ZoneInfo(name), FIRST + timedelta(days=random_source.randrange(span))
        if random_source.random() < 0.5:  # near the present, where children are
            day = date(2020, 1, 1) + timedelta(days=random_source.randrange(7000))
        first = first_instant(zone, day)
        questions.ask(f"midnight {name} {day.isoformat()}", str(first * 1000))
        for second in (first - 1, first, first + random_source.randrange(86400)):
            questions.ask(f"day {name} {second * 1000}", local_date(zone, second).isoformat())


def ask_transitions(questions):
    """Each date on which the offset changes, and those beside it: here the mistakes would be."""
    for name in ZONES:
        zone = ZoneInfo(name)
        day, last = date(2010, 1, 1), None
        while day < date(2040, 1, 1):
            offset = offset_s(zone, (day - EPOCH).days * 86400)
            if last is not None and offset != last:
                for near in range(-2, 2):
                    near_day = day + timedelta(days=near)
                    questions.ask(f"midnight {name} {near_day.isoformat()}", str(first_instant(zone, near_day) * 1000))
            last, day = offset, day + timedelta(days=1)


def ask_due(questions, random_source):
    month_ends = [date(2025, 11, 30), date(2026, 1, 31), date(2024, 2, 29), date(2025, 12, 31), date(2027, 10, 31)]
    for number in range(DUE_QUESTIONS):
        name = random_source.choice(ZONES)
        zone = ZoneInfo(name)
        day = date(2009, 1, 1) + timedelta(days=random_source.randrange(9800))
        if number % 10 == 0:
            day = random_source.choice(month_ends)
        second = (day - EPOCH).days * 86400 + random_source.randrange(86400)
        local = local_date(zone, second)
        kind = ("balloon", "checked", "change")[number % 3]
        if kind == "change":
            wanted = task(zone, local + relativedelta(months=3), local + relativedelta(months=4))
        else:
            wanted = task(zone, local + timedelta(days=7), local + timedelta(days=7))
        questions.ask(f"{kind} {name} {second * 1000}", wanted)


def check_dateutil(random_source):
    """dateutil's own reading of the zone files agrees with zoneinfo's, so that the oracle is not one library alone."""
    bad = 0
    zones = {name: tzfile(f"/usr/share/zoneinfo/{name}") for name in ZONES}
    for _ in range(3000):
        name = random_source.choice(ZONES)
        second = random_source.randrange(86400 * 3, int(datetime(DATEUTIL_LAST, 1, 1).timestamp()))
        theirs = datetime.fromtimestamp(second, timezone.utc).astimezone(zones[name]).date()
        if theirs != local_date(ZoneInfo(name), second):
            print(f"zoneinfo and dateutil differ: {name} {second}")
            bad += 1
    return bad


def main(build):
    program = Path(build) / "tests" / "test_care_zone_oracle"
    random_source = random.Random(20260301)
    questions = Questions()
    ask_dates(questions, random_source)
    ask_transitions(questions)
    ask_due(questions, random_source)
    done = subprocess.run([program, "--answer"], input="\n".join(questions.lines) + "\n", capture_output=True, text=True,
                          check=False, timeout=500)
    answers = done.stdout.splitlines()
    bad = check_dateutil(random_source)
    if done.returncode != 0 or len(answers) != len(questions.lines):
        print(f"{len(answers)} answers to {len(questions.lines)} questions, exit {done.returncode}: {done.stderr[:400]}")
        return 1
    for line, wanted, got in zip(questions.lines, questions.wanted, answers):
        if wanted != got:
            bad += 1
            if bad <= 20:
                print(f"{line}: {got}, wanted {wanted}")
    print(f"{len(ZONES)} zones, {len(questions.lines)} questions, {bad} wrong")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[2]))
