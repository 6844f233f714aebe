"""The commands as a person uses them: what they print, which code they exit with, what they leave on disk."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from forcekit.registry import MEASURES
from tests.stories.in_process import run

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_signals"
PLATE = ["--device", str(SAMPLES / "club_plate.toml")]


def sample(name: str) -> list[str | Path]:
    """Words that analyse a sample of the club's plate with its attempt card."""
    return ["analyze", SAMPLES / f"{name}.csv", *PLATE, "--card", SAMPLES / f"{name}.card.toml"]


def test_demo_as_a_real_process(tmp_path: Path) -> None:
    """`python -m forcekit demo` answers a coach's questions in the order they come, draws, and exits with 0."""
    figure = tmp_path / "lift.png"
    done = subprocess.run(
        [sys.executable, "-m", "forcekit", "demo", "--plot", str(figure)], capture_output=True, text=True, cwd=tmp_path
    )
    assert 0 == done.returncode, done.stderr
    told = " ".join(done.stdout.split())
    asked = [
        "Lift 1 of 1: jerk, 80 kg, missed forward, Tamo Velling, lowest point at 2.406 s",
        "Dip 17.8 ± 0.1 cm deep in 404 ± 9 ms, turnaround 24 ms",
        "pressure moved 1.2 ± 0.1 cm back in the dip, then 6.8 cm forward in the drive.",
        "the bar pressed on the shoulders with 0.44 ± 0.01 × its weight",
        "CLEAR",
        "Cue Push the floor away",
        "± is a 95 % interval.",
    ]
    places = [told.find(words) for words in asked]
    assert -1 not in places
    assert sorted(places) == places
    assert figure.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("alphabet", ["ascii", "cp1252", "utf-8"])
def test_numbers_have_one_minus_sign_or_the_nearest_there_is(alphabet: str) -> None:
    """Numbers below zero stand with a minus sign, in no place with a hyphen; a poorer terminal gets its nearest."""
    done = subprocess.run(
        [sys.executable, "-m", "forcekit", *map(str, sample("pattern_forward_in_dip"))],
        capture_output=True, env={**os.environ, "PYTHONIOENCODING": alphabet},
    )  # fmt: skip
    told = done.stdout.decode(alphabet)
    hyphens, minus = (re.findall(rf"(?:^|[\s(]){sign}\d+\.\d", told) for sign in "-−")
    assert 0 == done.returncode, done.stderr
    assert "?" not in told
    assert (len(minus) > 0, len(hyphens) > 0) == ((True, False) if alphabet == "utf-8" else (False, True))


@pytest.mark.parametrize("words", [[], ["athlete"]], ids=["forcekit", "athlete"])
def test_each_command_is_listed_with_a_whole_sentence(
    words: list[str | Path], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """In the list of commands no sentence is cut off: the first of each help is short and stands alone."""
    _, out, _ = run(capsys, monkeypatch, *words, "--help")
    lines = out.split("Commands:")[1].strip().splitlines()

    assert len(lines) >= 6
    assert [] == [line for line in lines if not line.endswith(".") or line.endswith("...")]


@pytest.mark.parametrize("command", ["explain", "propose", "usual", "trend", "compare", "break-load", "live"])
def test_usage_names_what_to_write_once_in_capitals(
    command: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """An argument stands in the usage as one word in capitals, in brackets once where it may be left out."""
    _, out, _ = run(capsys, monkeypatch, command, "--help")
    usage = out.splitlines()[0]

    assert "[[" not in usage
    assert usage.split("[OPTIONS] ")[1].upper() == usage.split("[OPTIONS] ")[1]


def test_each_measure_has_a_meaning_of_its_own() -> None:
    """What a measure means can be read by itself: it names its thing, and no two say the same."""
    meanings = [info.meaning for info in MEASURES.values()]

    assert len(meanings) == len(set(meanings))
    assert [] == [m for m in meanings if re.search(r"^The same|\bit (is|moves)\b", m)]


def test_json_contract(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """The JSON holds lifts with every measure as value, low, high, unit or a reason, findings, quality, movement."""
    code, out, _ = run(capsys, monkeypatch, *sample("pattern_forward_in_dip"), "--json")
    data = json.loads(out)
    (lift,) = data["lifts"]

    assert 0 == code
    assert {"lifts", "forcekit", "reason"} <= set(data)
    assert set(MEASURES) == set(lift["measures"])
    for name, m in lift["measures"].items():
        if "withheld" in m:
            assert m["withheld"], name
        else:
            assert m["low"] <= m["value"] <= m["high"], name
            assert MEASURES[name].unit == m["unit"]
    first = lift["findings"][0]
    assert ("forward_in_dip", "clear") == (first["pattern"], first["strength"])
    assert first["evidence"]["shift_in_dip_of_foot"]["low"] > 0.08
    assert {"cue", "drill", "caution", "sentence"} <= set(first)
    assert {"good", "doubtful", "bad"} >= {q["verdict"] for q in lift["quality"]}
    assert "jerk" == lift["movement"]


def test_truth_of_a_sample_is_inside_its_intervals(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nine in ten measures of three sample files hold the truth that lies beside the file."""
    inside = total = 0
    for name in ("tamo_80_kg", "oda_60_kg", "pattern_toward_heels"):
        _, out, _ = run(capsys, monkeypatch, *sample(name), "--json")
        truth = json.loads((SAMPLES / f"{name}.truth.json").read_text())["lifts"][0]["measures"]
        for measure, m in json.loads(out)["lifts"][0]["measures"].items():
            if "value" in m and measure in truth:
                total += 1
                inside += m["low"] <= truth[measure] <= m["high"]
    # Measures of one lift share their errors, so that a bad weighing can take several out at once.
    assert inside >= 0.9 * total > 80


def test_session_gives_its_lifts_and_names_what_it_passed_over(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A messy session gives exactly its lifts, and the broken-off dip is named."""
    truth = json.loads((SAMPLES / "session_of_oda.truth.json").read_text())["lifts"]
    code, out, _ = run(capsys, monkeypatch, *sample("session_of_oda"), "--json")
    data = json.loads(out)

    assert 0 == code
    assert len(truth) == len(data["lifts"])
    for lift, true in zip(data["lifts"], truth, strict=True):
        assert true["measures"]["lowest_at"] == pytest.approx(lift["measures"]["lowest_at"]["value"], abs=0.01)
    assert any("without a drive" in p["why"] for p in data["passed_over"])


def test_bar_beside_the_plate(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """With the bar's recording the bar's measures appear and elbows that drop are found."""
    words = [
        *sample("pattern_elbows_drop"),
        "--bar", SAMPLES / "pattern_elbows_drop.bar.csv", "--bar-device", SAMPLES / "club_bar.toml",
    ]  # fmt: skip
    _, out, _ = run(capsys, monkeypatch, *words, "--json")
    lift = json.loads(out)["lifts"][0]

    assert "elbows_drop" == lift["findings"][0]["pattern"]
    assert -0.41 == pytest.approx(lift["measures"]["shaft_rotation_dip"]["value"], abs=0.005)


def test_bar_alone(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """A recording of the bar alone gives measures of the bar and says that the plate's are missing."""
    words = ["analyze", SAMPLES / "lost_in_front.bar.csv", "--device", SAMPLES / "club_bar.toml", "--json"]
    _, out, _ = run(capsys, monkeypatch, *words)
    measures = json.loads(out)["lifts"][0]["measures"]
    truth = json.loads((SAMPLES / "lost_in_front.truth.json").read_text())["lifts"][0]["measures"]

    assert truth["bar_dip_depth"] == pytest.approx(measures["bar_dip_depth"]["value"], abs=0.005)
    assert "there is no force plate" in measures["dip_depth"]["withheld"]


def test_proposal_leads_to_an_analysis(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """propose writes a device file with which analyze reads the real recording; it is not written over."""
    recording = tmp_path / "jump.txt"
    recording.write_bytes((SAMPLES / "open_data" / "countermovement_jump.txt").read_bytes())
    device = tmp_path / "jump.device.toml"
    assert 0 == run(capsys, monkeypatch, "propose", recording, "-o", device)[0]
    code, out, _ = run(capsys, monkeypatch, "analyze", recording, "--json")
    assert 0 == code
    assert 1 == len(json.loads(out)["lifts"])

    before = device.read_bytes()
    code, _, err = run(capsys, monkeypatch, "propose", recording, "-o", device)
    assert 2 == code
    assert "there is such a file already" in err
    assert before == device.read_bytes()


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
def test_figures_are_the_same_twice(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, suffix: str
) -> None:
    """A figure of every kind is written, and the same lift gives the same bytes."""
    for name in ("one", "two"):
        assert (
            0 == run(capsys, monkeypatch, *sample("tamo_70_kg"), "--brief", "--plot", tmp_path / f"{name}{suffix}")[0]
        )
    one, two = ((tmp_path / f"{name}{suffix}").read_bytes() for name in ("one", "two"))
    assert len(one) > 10_000
    assert one == two


def test_several_lifts_give_several_figures(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A session with three lifts writes three numbered figures."""
    run(capsys, monkeypatch, *sample("session_of_oda"), "--brief", "--plot", tmp_path / "s.png")
    assert ["s-1.png", "s-2.png", "s-3.png"] == sorted(p.name for p in tmp_path.iterdir())


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["analyze", "nowhere.csv"], "nowhere.csv"),
        (["analyze", SAMPLES / "tamo_80_kg.csv"], "forcekit propose"),
        ([*sample("tamo_80_kg"), "--stature", "1.78"], "stature"),
        ([*sample("tamo_80_kg"), "--movement", "squat"], "jerk"),
        ([*sample("tamo_80_kg"), "--plot", "lift.bmp"], ".png, .svg, .pdf"),
        ([*sample("tamo_80_kg"), "--cue-book", SAMPLES / "club_plate.toml"], "no such pattern"),
        (["explain", "dip_dept"], "did you mean dip_depth"),
        (["explain", "Turnaround"], "did you mean transition_time, bar_transition_time?"),
    ],
)
def test_wrong_words_get_one_sentence(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, words: list[str | Path], told: str
) -> None:
    """Whatever is wrong is said in one line with its remedy, exit code 2, no traceback."""
    code, _, err = run(capsys, monkeypatch, *words)

    assert 2 == code
    assert 1 == len(err.strip().splitlines())
    assert told in err
    assert "Traceback" not in err


def test_every_measure_can_be_explained(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """explain lists all measures, and gives definition and source of each."""
    _, listed, _ = run(capsys, monkeypatch, "explain")
    assert all(name in listed for name in MEASURES)
    for name in MEASURES:
        code, out, _ = run(capsys, monkeypatch, "explain", name)
        assert 0 == code
        assert "definition" in out
        assert "source" in out


def test_no_lift_is_no_error(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A recording without a dip and drive exits with 0, an empty list and the reason."""
    rows = (SAMPLES / "tamo_80_kg.csv").read_text().splitlines()
    (tmp_path / "still.csv").write_text("\n".join(rows[:700]) + "\n")
    code, out, _ = run(capsys, monkeypatch, "analyze", tmp_path / "still.csv", *PLATE, "--json")
    data = json.loads(out)

    assert 0 == code
    assert [] == data["lifts"]
    assert "no dip and drive follows" in data["reason"]


def test_lift_is_pleasant_in_a_notebook() -> None:
    """A lift tells itself in one line and becomes a pandas table; so does the analysis."""
    import forcekit

    recording = forcekit.read(
        SAMPLES / "tamo_80_kg.csv", device=SAMPLES / "club_plate.toml", card=SAMPLES / "tamo_80_kg.card.toml"
    )
    analysis = forcekit.analyze(recording)
    lift = analysis[0]

    assert "plate" in repr(recording)
    assert "1 lift" in repr(analysis)
    assert "jerk" in repr(lift)
    assert list(MEASURES) == list(lift.to_frame().index)
    assert {"dip_depth", "dip_depth_low", "dip_depth_high"} <= set(analysis.to_frame().columns)
    assert lift["dip_depth"].value == lift.to_frame().loc["dip_depth", "value"]
