"""The sample signals in the repository are what the program makes, and tell the story they are said to tell."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from forcekit.acquire.csv_file import read_csv
from forcekit.acquire.device_file import load_card, load_device
from forcekit.simulate.samples import DEMO, main, make_samples, pack_demo
from forcekit.simulate.season import main as make_a_season

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_signals"
PACKED = ROOT / "forcekit" / "samples"


def numbers_of(path: Path) -> np.ndarray:
    """All numbers of a table."""
    text = path.read_text(encoding="utf-8-sig").replace(";", " ").replace(",", " ").replace("\t", " ")
    return np.array([float(w) for line in text.splitlines() for w in line.split() if _is_number(w)])


def _is_number(word: str) -> bool:
    return word.lstrip("-").replace(".", "").isdigit()


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with samples made just now."""
    folder = tmp_path_factory.mktemp("samples")
    make_samples(folder)
    return folder


def test_samples_are_made_the_same_again(fresh: Path) -> None:
    """The same files come out, the same texts, and the same numbers but for rounding in the last place.

    Other builds of numpy may round a sum differently, which moves a number on the edge of a count by one.
    """
    names = {p.name for p in SAMPLES.iterdir() if p.suffix in (".csv", ".toml", ".json")}
    assert {p.name for p in fresh.iterdir()} == names
    for name in names:
        if name.endswith(".csv"):
            old, new = numbers_of(SAMPLES / name), numbers_of(fresh / name)
            assert old.size == new.size, name
            assert np.mean(old != new) < 0.001, name
        elif name.endswith(".toml"):
            assert (SAMPLES / name).read_text(encoding="utf-8") == (fresh / name).read_text(encoding="utf-8"), name
        else:
            old_truth, new_truth = (json.loads((d / name).read_text(encoding="utf-8")) for d in (SAMPLES, fresh))
            for one, other in zip(old_truth["lifts"], new_truth["lifts"], strict=True):
                assert one["measures"] == pytest.approx(other["measures"], rel=1e-5, abs=1e-6), name


def test_samples_are_small() -> None:
    """The repository carries under 3 MB of them and 0.5 MB of the README's pictures, the package under 300 kB."""
    sizes = {p: p.stat().st_size for p in SAMPLES.rglob("*") if p.is_file()}
    pictures = sum(size for p, size in sizes.items() if p.parent.name == "pictures")
    assert sum(sizes.values()) - pictures < 3e6
    assert pictures < 5e5
    assert sum(p.stat().st_size for p in PACKED.iterdir()) < 3e5


def test_packed_demo_is_the_sample() -> None:
    """What is packed with the program is a copy."""
    packed = sorted(PACKED.iterdir())
    assert len(packed) == 6
    assert all(p.read_bytes() == (SAMPLES / p.name).read_bytes() for p in packed)


def test_packing_copies_the_demo(fresh: Path, tmp_path: Path) -> None:
    """Tables, device files, card and truth of the demo go to the second folder."""
    pack_demo(fresh, tmp_path / "to")
    assert {p.name for p in (tmp_path / "to").iterdir()} == {p.name for p in PACKED.iterdir()}


@pytest.mark.parametrize(
    "table", sorted(p.name for p in SAMPLES.glob("*.csv")), ids=lambda name: name.removesuffix(".csv")
)
def test_every_sample_can_be_read(table: str) -> None:
    """Table, device file and card are read by the project's own readers, and times increase."""
    stem = table.removesuffix(".csv")
    if stem.endswith(".bar"):
        device = "club_bar.toml"
    elif stem == DEMO:
        device = "club_plate_1000_hz.toml"
    else:
        device = f"{stem}.toml" if (SAMPLES / f"{stem}.toml").exists() else "club_plate.toml"
    stream = read_csv(SAMPLES / table, load_device(SAMPLES / device))
    card = load_card(SAMPLES / f"{stem.removesuffix('.bar')}.card.toml")
    assert float(np.min(np.diff(stream.t_s))) > 0.0
    assert stream.t_s[-1] > 4.0
    assert card.athlete in {"Oda Brennek", "Tamo Velling"}


def test_demo_is_lost_in_front() -> None:
    """80 kg jerk, missed forward: back in the dip, then far forward in the drive."""
    card = load_card(SAMPLES / f"{DEMO}.card.toml")
    truth = json.loads((SAMPLES / f"{DEMO}.truth.json").read_text(encoding="utf-8"))["lifts"][0]
    measures = truth["measures"]
    assert (card.movement, card.load_kg, card.outcome) == ("jerk", 80.0, "missed forward")
    assert truth["patterns"] == ["back_then_forward"]
    assert measures["shift_in_dip_of_foot"] < -0.02
    assert measures["shift_in_drive_of_foot"] > 0.2


def test_session_holds_three_lifts() -> None:
    """The messy session has exactly the lifts its description names."""
    lifts = json.loads((SAMPLES / "session_of_oda.truth.json").read_text(encoding="utf-8"))["lifts"]
    assert [lift["movement"] for lift in lifts] == ["jerk", "jerk", "push press"]


@pytest.mark.parametrize("command", [main, make_a_season])
def test_one_folder_must_be_named(command: Callable[[list[str]], int], capsys: pytest.CaptureFixture[str]) -> None:
    """The commands say what they need, with exit code 2; what begins with a dash is no folder."""
    for arguments in ([], ["--nonsense"]):
        with pytest.raises(SystemExit) as left:
            command(arguments)
        assert left.value.code == 2
        assert "folder" in capsys.readouterr().err
