#!/usr/bin/python3
"""Dates and times of proto/ against Python's datetime and dateutil.

    check_calendar.py SOURCE-DIR BUILD-DIR
"""
import datetime
import random
import subprocess
import sys
from pathlib import Path

from dateutil.relativedelta import relativedelta

FIRST, LAST = datetime.date(1900, 1, 1), datetime.date(2100, 1, 1)
EPOCH = datetime.datetime(1970, 1, 1, tzinfo=datetime.timezone.utc)
COUNT = 10000


def random_date(rng):
    if rng.random() < 0.3:  # the ends of months, where the rules differ
        first = datetime.date(rng.randint(1900, 2099), rng.randint(1, 12), 1)
        return first + relativedelta(months=1, days=-rng.randint(1, 3))
    return FIRST + datetime.timedelta(days=rng.randint(0, (LAST - FIRST).days))


def random_time(rng):
    """(RFC 3339 text, milliseconds) by way of datetime."""
    offset = rng.choice([0, 0, rng.randint(-1439, 1439)])
    zone = datetime.timezone(datetime.timedelta(minutes=offset))
    date = random_date(rng)
    moment = datetime.datetime(date.year, date.month, date.day, rng.randint(0, 23), rng.randint(0, 59), rng.randint(0, 59),
                               rng.randrange(1000) * 1000, zone)
    digits = rng.choice([0, 3, 3, 6, 9])
    if digits == 0:
        moment = moment.replace(microsecond=0)
    text = moment.strftime("%Y-%m-%d").rjust(10, "0") + rng.choice("Tt") + moment.strftime("%H:%M:%S")
    if digits:
        text += "." + f"{moment.microsecond // 1000:03d}".ljust(digits, rng.choice("059"))
    sign = "-" if offset < 0 else "+"
    text += f"{sign}{abs(offset) // 60:02d}:{abs(offset) % 60:02d}" if offset else rng.choice(["Z", "z", "+00:00", "-00:00"])
    return text, (moment - EPOCH) // datetime.timedelta(milliseconds=1)


def shown(ms):
    moment = EPOCH + datetime.timedelta(milliseconds=ms)
    fraction = f".{ms % 1000:03d}" if ms % 1000 else ""
    return moment.strftime("%Y-%m-%dT%H:%M:%S") + fraction + "Z"


def main():
    driver = Path(sys.argv[2]) / "tests" / "proto_driver"
    rng = random.Random(84)
    lines, wanted = [], []
    for _ in range(COUNT):
        date, months = random_date(rng), rng.choice([1, 3, 4, 12, rng.randint(-1200, 1200)])
        lines += [f"add {date} {months}", f"day {date}"]
        wanted += [(date + relativedelta(months=months)).isoformat(), f"{(date - EPOCH.date()).days} {date.isoweekday()}"]
    for _ in range(COUNT):
        text, ms = random_time(rng)
        lines += [f"time {text}", f"instant {ms}"]
        wanted += [str(ms), shown(ms)]
    for year in range(1900, 2100):  # every day number of every month, also those that are none
        for month in range(0, 14):
            for day in (0, 1, 28, 29, 30, 31, 32):
                text = f"{year}-{month:02d}-{day:02d}"
                try:
                    date = datetime.date.fromisoformat(text)
                    wanted.append(f"{(date - EPOCH.date()).days} {date.isoweekday()}")
                except ValueError:
                    wanted.append("none")
                lines.append(f"day {text}")
    run = subprocess.run([driver], input="\n".join(lines) + "\n", capture_output=True, text=True, check=True, timeout=300)
    answers = run.stdout.split("\n")[:-1]
    wrong = [(line, got, want) for line, got, want in zip(lines, answers, wanted) if got != want]
    for line, got, want in wrong[:20]:
        print(f"{line}: got {got}, expected {want}")
    print(f"{len(lines)} lines, {len(answers)} answers, {len(wrong)} differences")
    return 1 if wrong or len(answers) != len(lines) else 0


if __name__ == "__main__":
    sys.exit(main())
