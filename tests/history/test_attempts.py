"""Adding lifts: what is stored comes back, a known lift is recognised, a new analysis is kept beside the old."""

from __future__ import annotations

import math
import os
import stat
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import sqlalchemy as sa
from helpers import HalfSines
from reps import CHECK, DAY_S, FINDING, START, add, kept, measures

from forcekit.analysis.pipeline import analyze
from forcekit.errors import InputError
from forcekit.history import schema as t
from forcekit.history.attempts import add_lift, change_attempt
from forcekit.history.people import (
    add_athlete,
    add_body_mass,
    add_session,
    body_mass_at,
    change_athlete,
    find_athlete,
    list_athletes,
)
from forcekit.history.recordings import find_kept, keep_file
from forcekit.history.series import list_attempts, measure_names_of, measures_of, series
from forcekit.history.store import Store, reading


def test_measures_come_back_to_the_last_digit(store: Store) -> None:
    """Values, intervals, units and the reason of a withheld measure are what was stored."""
    add_athlete(store, "Ina")
    values = {"transition_time": 0.1 + 0.2, "dip_depth": math.pi / 20, "shift_total": -1e-17}
    stored = add(store, **values)

    assert {m.name: m for m in measures(values)} == measures_of(store, stored.attempt_id)
    assert measure_names_of(store, "Ina") == {
        "transition_time": "s",
        "dip_depth": "m",
        "shift_total": "m",
        "push_angle": "rad",
    }


def test_a_real_analysed_lift_is_stored_whole(lite: Store, tmp_path: Path) -> None:
    """A lift of the analysis comes back with every measure, finding and quality check."""
    lift = analyze(HalfSines().recording(1000.0))[0]
    add_athlete(lite, "Ina")
    stored = add_lift(lite, "Ina", lift, definitions="1", files=[kept(lite, tmp_path, "raw")], at=START)
    with reading(lite) as conn:
        sentences = (
            conn.execute(sa.select(t.quality_checks.c.sentence).order_by(t.quality_checks.c.place)).scalars().all()
        )
        patterns = conn.execute(sa.select(t.findings.c.pattern).order_by(t.findings.c.place)).scalars().all()

    assert dict(lift.measures) == measures_of(lite, stored.attempt_id)
    assert [q.sentence for q in lift.quality] == sentences
    assert [f.pattern for f in lift.findings] == patterns
    assert START + lift.instants.lowest_s == list_attempts(lite, "Ina")[0].lifted_at


def test_findings_and_checks_are_stored(store: Store) -> None:
    """Findings keep pattern, evidence, limit and cue; checks keep what they withhold."""
    add_athlete(store, "Ina")
    add(store)
    with reading(store) as conn:
        finding = conn.execute(sa.select(t.findings)).mappings().one()
        check = conn.execute(sa.select(t.quality_checks)).mappings().one()

    assert (FINDING.pattern, '["transition_time"]', "own usual range", "up") == tuple(
        finding[k] for k in ("pattern", "evidence", "limit_source", "cue")
    )
    assert (CHECK.verdict, '["dip_depth"]') == (check["verdict"], check["withholds"])


def test_the_same_lift_is_recognised(store: Store, tmp_path: Path) -> None:
    """The same file content, lift time and numbers change nothing, whatever the file is called."""
    add_athlete(store, "Ina")
    first = add(store, files=(kept(store, tmp_path, "raw"),), lift_at_s=3.0)
    again = add(store, files=(kept(store, tmp_path, "raw"),), lift_at_s=3.1, day=5.0)

    assert (first.state, again.state) == ("new", "known")
    assert (first.attempt_uid, first.result_uid) == (again.attempt_uid, again.result_uid)
    assert find_athlete(store, "Ina").n_attempts == 1


def test_another_lift_of_the_same_file_is_new(store: Store, tmp_path: Path) -> None:
    """Lifts half a second apart are two attempts; another file at the same time is another attempt."""
    add_athlete(store, "Ina")
    file = kept(store, tmp_path, "raw")
    states = [add(store, files=(file,), lift_at_s=at).state for at in (3.0, 3.5)]
    states.append(add(store, files=(kept(store, tmp_path, "other"),), lift_at_s=3.0).state)

    assert states == ["new"] * 3


def test_analysing_again_keeps_both_results(store: Store, tmp_path: Path) -> None:
    """A newer analysis stands beside the older; the series shows the newer, the older can still be read."""
    add_athlete(store, "Ina")
    file = kept(store, tmp_path, "raw")
    old = add(store, files=(file,), lift_at_s=3.0, transition_time=0.120)
    new = add(store, files=(file,), lift_at_s=3.02, definitions="2", transition_time=0.130)

    assert ("analysed again", old.attempt_id) == (new.state, new.attempt_id)
    assert series(store, "Ina", "transition_time").value.tolist() == [0.130]
    assert measures_of(store, old.attempt_id, result_id=old.result_id)["transition_time"].value == 0.120
    assert list_attempts(store, "Ina")[0].n_results == 2


def test_a_lift_has_one_athlete(store: Store, tmp_path: Path) -> None:
    """The same lift for another athlete is refused with the name it is stored under."""
    add_athlete(store, "Ina")
    add_athlete(store, "Olu")
    file = kept(store, tmp_path, "raw")
    add(store, files=(file,), lift_at_s=3.0)
    with pytest.raises(InputError, match='stored for the athlete "Ina"'):
        add(store, "Olu", files=(file,), lift_at_s=3.0)


def test_series_is_in_order_of_time(store: Store) -> None:
    """Attempts added out of order are read in order of time, with load, outcome, cue and session."""
    add_athlete(store, "Ina")
    session = add_session(store, place="hall")
    add(store, day=2.0, load_kg=90.0, cue="tall", outcome="missed forward", transition_time=0.2)
    add(store, day=1.0, load_kg=None, session_id=session, transition_time=0.1)
    s = series(store, "Ina", "transition_time")

    assert s.value.tolist() == [0.1, 0.2]
    assert s.lifted_at.tolist() == [START + DAY_S, START + 2 * DAY_S]
    assert np.isnan(s.load_kg[0])
    assert s.load_kg[1] == 90.0
    assert (s.outcome, s.cue) == (("made", "missed forward"), ("", "tall"))
    assert session == s.session[0]
    assert s.session[1] < 0.0


def test_series_can_be_limited(store: Store) -> None:
    """Movement, start and end choose attempts."""
    add_athlete(store, "Ina")
    for day in range(4):
        add(store, day=float(day), transition_time=0.1 + day)
    chosen = series(store, "Ina", "transition_time", since=START + DAY_S, until=START + 3 * DAY_S)

    assert chosen.value.tolist() == [1.1, 2.1]
    assert len(series(store, "Ina", "transition_time", movement="push press")) == 0


def test_series_says_what_there_is(store: Store) -> None:
    """An unknown measure or athlete is told with what is known."""
    add_athlete(store, "Ina")
    with pytest.raises(InputError, match=r"nothing is stored for this athlete yet\. Analyse and keep"):
        series(store, "Ina", "height")
    add(store)
    with pytest.raises(InputError, match="dip_depth, push_angle, transition_time"):
        series(store, "Ina", "height")
    with pytest.raises(InputError, match=r"Did you mean Ina\?"):
        series(store, "Inna", "dip_depth")


def test_outcome_can_be_added_later(store: Store) -> None:
    """What the coach adds later is stored, what is not given stays, and a wrong outcome is told."""
    add_athlete(store, "Ina")
    stored = add(store, outcome=None, cue="tall")
    change_attempt(store, stored.attempt_id, outcome="missed back")
    line = list_attempts(store, "Ina")[0]

    assert (line.outcome, line.cue, line.load_kg) == ("missed back", "tall", 80.0)
    with pytest.raises(InputError, match="missed forward"):
        change_attempt(store, stored.attempt_id, outcome="won")
    with pytest.raises(InputError, match="no attempt 999"):
        change_attempt(store, 999, note="x")


def test_athletes(store: Store) -> None:
    """Names are unique, numbers are checked, body mass is known by time, and a change is stored."""
    add_athlete(store, "Ina", stature_m=1.68, body_mass_kg=63.0, shoe_size_mm=245.0)
    add_body_mass(store, "Ina", 65.5, at=START)
    change_athlete(store, "Ina", stature_m=1.69)

    assert (body_mass_at(store, "Ina", START - 1.0), body_mass_at(store, "Ina", START + 1.0)) == (65.5, 65.5)
    assert body_mass_at(store, "Ina", START + 1e9) == 63.0
    assert [(a.name, a.stature_m, a.n_attempts) for a in list_athletes(store)] == [("Ina", 1.69, 0)]
    with pytest.raises(InputError, match="is in the store already"):
        add_athlete(store, "Ina")
    with pytest.raises(InputError, match=r"stature_m is 168; 1 to 2\.5 is allowed"):
        add_athlete(store, "Olu", stature_m=168.0)


def test_raw_files_are_kept_once_and_private(lite: Store, tmp_path: Path) -> None:
    """The same content is one file, byte for byte, readable by its owner alone; no unfinished copy is left."""
    first, second = kept(lite, tmp_path, "a,b\n1,2\n"), kept(lite, tmp_path, "a,b\n1,2\n")
    path = find_kept(lite, first.sha256)

    assert first == second
    assert path is not None
    assert path.read_bytes() == b"a,b\n1,2\n"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [path] == [p for p in lite.recordings.rglob("*") if p.is_file()]
    with pytest.raises(InputError, match="cannot be copied"):
        keep_file(lite, tmp_path / "absent.csv")


@pytest.mark.skipif(sys.platform != "linux", reason="names that are no UTF-8 exist on Linux only")
def test_a_file_name_in_another_encoding_is_kept_readable(lite: Store, tmp_path: Path) -> None:
    """A name such as café.csv in Latin-1 from somebody's stick: the odd byte is shown as a question mark."""
    path = tmp_path / os.fsdecode(b"caf\xe9.csv")
    path.write_text("raw")
    file = keep_file(lite, path)
    add_athlete(lite, "Ina")
    add(lite, files=(file,), lift_at_s=2.0)

    assert file.file_name == "caf?.csv"
    assert len(list_attempts(lite, "Ina")) == 1


def test_copies_that_a_crash_left_are_swept_away(lite: Store, tmp_path: Path) -> None:
    """An unfinished copy older than a day goes with the next file that is kept; a younger one may be in the making."""
    old, young = (lite.recordings / f"{name}.part" for name in ("old", "young"))
    old.write_bytes(b"somebody's data")
    young.write_bytes(b"")
    os.utime(old, (0.0, 0.0))

    kept(lite, tmp_path, "a,b\n1,2\n")

    assert (False, True) == (old.exists(), young.exists())


def test_an_evening_is_one_session_wherever_the_gym_is(lite: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Lifts before and after midnight in Greenwich are of one day where the sun sets later, and of two in London."""
    midnight = 20_000 * DAY_S
    add_athlete(lite, "Ina")
    for day in ((midnight - 600.0 - START) / DAY_S, (midnight + 600.0 - START) / DAY_S):
        add(lite, day=day, transition_time=0.1)
    found = {}
    for zone in ("UTC", "UTC+8"):
        monkeypatch.setenv("TZ", zone)
        time.tzset()
        found[zone] = len(set(series(lite, "Ina", "transition_time").session.tolist()))
    monkeypatch.undo()
    time.tzset()

    assert {"UTC": 2, "UTC+8": 1} == found
