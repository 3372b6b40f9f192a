"""The calendar against the rules of RFC 5545, read back by a small strict reader."""

from datetime import date

from trialkit.planning.calendar import write_calendar


def read_back(text):
    """Unfold and split into components; asserts the rules of RFC 5545, sections 3.1, 3.6, 3.8.2.4, 3.8.4.7."""
    raw = text.encode()
    assert raw.endswith(b"\r\n") and raw.count(b"\n") == raw.count(b"\r") == raw.count(b"\r\n")
    assert all(len(line) <= 75 for line in raw.split(b"\r\n"))
    for line in raw.split(b"\r\n"):
        line.decode()  # no character is cut by the folding
    lines = text.replace("\r\n ", "").removesuffix("\r\n").split("\r\n")
    assert lines[:2] == ["BEGIN:VCALENDAR", "VERSION:2.0"] and lines[-1] == "END:VCALENDAR"
    events, event = [], None
    for line in lines:
        name, _, value = line.partition(":")
        if line == "BEGIN:VEVENT":
            event = {}
        elif line == "END:VEVENT":
            events.append(event)
            event = None
        elif event is not None:
            assert name not in event
            event[name] = value
    assert all({"UID", "DTSTAMP", "DTSTART;VALUE=DATE"} <= set(event) for event in events)
    assert len({event["UID"] for event in events}) == len(events)
    return events


def unescape(value):
    return value.replace("\\n", "\n").replace("\\,", ",").replace("\\;", ";").replace("\\\\", "\\")


def test_a_visit_is_a_whole_day():
    events = read_back(write_calendar("Leaves", date(2026, 9, 26), [0, 7], bins=12, stamp=date(2026, 9, 20)))
    assert [event["DTSTART;VALUE=DATE"] for event in events] == ["20260926", "20261003"]
    assert [event["DTEND;VALUE=DATE"] for event in events] == ["20260927", "20261004"]
    assert [event["DTSTAMP"] for event in events] == ["20260920T000000Z"] * 2
    assert unescape(events[0]["SUMMARY"]) == "Leaves, day 0: fill and read 12 bins"
    assert unescape(events[1]["SUMMARY"]) == "Leaves, day 7: read 12 bins"
    assert unescape(events[1]["DESCRIPTION"]) == "Visit 2 of 2."


def test_long_and_awkward_titles_are_escaped_and_folded():
    title = "Blätter; schneller, \\ oder nicht?\nEND:VEVENT\r\n" + "Kompostversuch 北京 " * 12
    events = read_back(write_calendar(title, date(2026, 9, 26), [0], bins=4, stamp=date(2026, 9, 20), reminder="a,b"))
    assert len(events) == 1
    assert unescape(events[0]["SUMMARY"]).startswith("Blätter; schneller, \\ oder nicht?\nEND:VEVENT\n")
    assert unescape(events[0]["DESCRIPTION"]) == "Visit 1 of 1. a,b"


def test_the_same_plan_gives_the_same_bytes_and_another_start_other_events():
    def write(start):
        return write_calendar("Leaves", start, [0, 3], bins=12, stamp=date(2026, 9, 20))

    first, again, later = write(date(2026, 9, 26)), write(date(2026, 9, 26)), write(date(2026, 10, 3))
    assert first == again
    assert {event["UID"] for event in read_back(first)}.isdisjoint(event["UID"] for event in read_back(later))
