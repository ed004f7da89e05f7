"""Where adapter profiles are kept."""

import json
from dataclasses import asdict

import pytest

from sporecount.calibration import AdapterProfile
from sporecount.errors import CalibrationError
from sporecount.files.profiles import (
    list_profiles,
    load_profile,
    profile_folder,
    read_profile,
    remove_profile,
    save_profile,
)


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("SPORECOUNT_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


def profile(name: str, objective: float | None = 10.0, um_per_px: float = 0.52) -> dict:
    return asdict(AdapterProfile(name, objective, um_per_px, 0.001, 4000, 3000))


def test_nothing_stored():
    assert list_profiles() == []
    with pytest.raises(CalibrationError, match="stored: none yet"):
        load_profile("bench")


@pytest.mark.parametrize("name", ["bench", "bench 10x, left", "-x", "käfig 🦋", "a" * 60, "no. 2"])
def test_any_name(name, home):
    path = save_profile(profile(name))
    assert path.parent == profile_folder() == home / "adapters"
    assert load_profile(name)["name"] == name
    assert load_profile(name.upper(), 10.0)["um_per_px"] == 0.52


@pytest.mark.parametrize("name", ["", "  ", "a\nb", "a" * 61, "../up", "a/b", "a\\b", ".", "..", ".hidden"])
def test_names_that_no_list_could_show_or_that_are_places(name):
    with pytest.raises(CalibrationError, match="name"):
        save_profile(profile(name))


def test_one_for_each_objective():
    save_profile(profile("bench", 10.0, 0.52))
    save_profile(profile("bench", 40.0, 0.13))
    save_profile(profile("bench", 10.0, 0.53))
    assert [one["um_per_px"] for one in list_profiles()] == [0.53, 0.13]
    assert load_profile("bench", 40.0)["um_per_px"] == 0.13
    with pytest.raises(CalibrationError, match="several objectives") as caught:
        load_profile("bench")
    assert caught.value.code == "which-objective"
    with pytest.raises(CalibrationError, match="not for 4x"):
        load_profile("bench", 4.0)


def test_a_removed_profile_is_out_of_use_and_kept(home):
    for power in (10.0, 40.0):
        save_profile(profile("bench", power)).with_suffix(".html").write_text(f"certificate {power:g}")
    with pytest.raises(CalibrationError, match="several objectives"):
        remove_profile("bench")
    kept = remove_profile("Bench", 10.0)
    assert kept.parent == home / "adapters" / "earlier"
    assert read_profile(kept)["objective"] == 10.0
    assert kept.with_suffix(".html").read_text() == "certificate 10"
    assert [one["objective"] for one in list_profiles()] == [40.0]
    remove_profile("bench")
    with pytest.raises(CalibrationError, match="stored: none yet"):
        remove_profile("bench")
    assert [path.name for path in (home / "adapters").iterdir()] == ["earlier"]


def test_what_is_no_profile(tmp_path, home):
    save_profile(profile("bench"))
    odd = [
        profile("odd") | wrong
        for wrong in (
            {"um_per_px": "x"},
            {"schema": 9},
            {"name": 5},
            {"k1": None},
            {"reasons": [[]]},
            {"left_out": 3},
            {"objective": True},
        )
    ]
    files = [
        b"",
        b"[1]",
        b"[" * 100_000,
        b'{"name": "x"}',
        b"\xff",
        *(json.dumps(one).encode() for one in odd),
    ]
    for number, data in enumerate(files):
        path = home / "adapters" / f"{number}.json"
        path.write_bytes(data)
        with pytest.raises(CalibrationError, match="no adapter profile"):
            read_profile(path)
    assert [one["name"] for one in list_profiles()] == ["bench"]
    with pytest.raises(CalibrationError, match="cannot be read"):
        read_profile(tmp_path / "nowhere.json")
