"""The visits as a calendar file (iCalendar, RFC 5545): whole-day events, the same bytes for the same plan."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from hashlib import sha256

LONGEST = 75  # octets a line, without its end (RFC 5545, section 3.1)


def write_calendar(title: str, start: date, days: Sequence[int], *, bins: int, stamp: date, reminder: str = "") -> str:
    """One event for every visit; the text uses CRLF line ends. ``stamp`` is the day the plan was made."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//trialkit//trial visits//EN", "CALSCALE:GREGORIAN"]
    for number, day in enumerate(days, start=1):
        on = start + timedelta(days=day)
        what = f"day {day}: fill and read {bins} bins" if day == 0 else f"day {day}: read {bins} bins"
        name = title or "Compost trial"
        identity = sha256(f"{title}|{start.isoformat()}|{day}|{bins}".encode()).hexdigest()[:32]
        lines += [
            "BEGIN:VEVENT",
            f"UID:{identity}@trialkit",
            f"DTSTAMP:{stamp:%Y%m%d}T000000Z",
            f"DTSTART;VALUE=DATE:{on:%Y%m%d}",
            f"DTEND;VALUE=DATE:{on + timedelta(days=1):%Y%m%d}",
            f"SUMMARY:{_text(f'{name}, {what}')}",
            f"DESCRIPTION:{_text(f'Visit {number} of {len(days)}. {reminder}'.strip())}",
            "TRANSP:TRANSPARENT",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(f"{_fold(line)}\r\n" for line in lines)


def _text(value: str) -> str:
    """Escape a text value (RFC 5545, section 3.3.11); control characters have no place in one."""
    value = value.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    value = value.replace("\r\n", "\n").replace("\r", "\n").replace("\n", "\\n")
    return "".join(letter for letter in value if letter == "\t" or (ord(letter) >= 32 and ord(letter) != 127))


def _fold(line: str) -> str:
    """Break a line after at most 75 octets, never inside a character; what follows begins with a blank."""
    parts, part, size = [], "", 0
    for letter in line:
        width = len(letter.encode())
        if size + width > LONGEST:
            parts.append(part)
            part, size = " ", 1
        part += letter
        size += width
    return "\r\n".join([*parts, part])
