"""The watch over a link: silence, death and sleep are told apart by the laptop's clock alone."""

from __future__ import annotations

from forcekit.acquire.watch import DEAD_S, SILENT_S, SLEPT_S, Watch, heard, look


def judged(until_s: float, *, step_s: float = 0.01) -> list[tuple[float, str]]:
    """Look every 10 ms at a link on which nothing comes; gives what was said and when."""
    watch, said, n = Watch(0.0, 0.0), [], 0
    while n * step_s < until_s:
        n += 1
        verdict, watch = look(watch, n * step_s)
        if verdict != "fine":
            said.append((n * step_s, verdict))
    return said


def test_silence_is_said_once_and_death_later() -> None:
    """Half a second without a byte is a warning, said once; two seconds are the end."""
    said = judged(2.05)

    assert [v for _, v in said[:2]] == ["silent", "dead"]
    assert abs(said[0][0] - SILENT_S) <= 0.011
    assert abs(said[1][0] - DEAD_S) <= 0.011


def test_a_byte_ends_a_silence() -> None:
    """A byte after a silence is told as its end, one in a lively stream is not."""
    verdict, silent = look(Watch(0.0, 0.55), 0.6)
    assert verdict == "silent"

    verdict, watch = heard(silent, 0.7)
    assert verdict == "again"
    assert heard(watch, 0.71)[0] == "fine"
    assert look(watch, 0.8)[0] == "fine"


def test_sleep_is_not_the_devices_silence() -> None:
    """After the laptop slept for an hour, the device gets its two seconds from the waking on."""
    verdict, watch = look(Watch(10.0, 10.0), 10.0 + SLEPT_S + 3600.0)

    assert verdict == "asleep"
    assert look(watch, watch.looked_s + 0.3)[0] == "fine"
    assert heard(Watch(10.0, 10.0), 3610.0)[0] == "asleep"
