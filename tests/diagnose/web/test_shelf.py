"""Sheets on disk: nothing lost, nothing read from elsewhere, nothing written elsewhere."""

from __future__ import annotations

import errno
import os
from dataclasses import replace
from pathlib import Path

import pytest

from circuits.errors import InputError
from diagnose.web.app import make_app
from diagnose.web.checked import check
from diagnose.web.opened import from_file
from diagnose.web.sheet import Typed
from diagnose.web.shelf import FILE, NotKept, Outdated, Shelf, default_shelf

SHEET = Typed("phono-opamp", "Record input hums")
STAGE = (Path(__file__).resolve().parents[2] / "data" / "coupling.yaml").read_bytes()


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf(tmp_path / "sheets")


def test_a_save_from_an_older_revision_is_refused_and_changes_nothing(shelf: Shelf) -> None:
    kept = shelf.add(SHEET)
    newer = shelf.save(kept.name, replace(SHEET, case="newer"), kept.revision)
    with pytest.raises(Outdated) as refused:
        shelf.save(kept.name, replace(SHEET, case="older"), kept.revision)
    assert refused.value.revision == newer.revision
    assert shelf.load(kept.name).sheet.case == "newer"


def test_a_change_by_hand_counts_as_a_revision(shelf: Shelf) -> None:
    kept = shelf.add(SHEET)
    kept.path.write_text(kept.path.read_text(encoding="utf-8").replace("hums", "hisses"),
                         encoding="utf-8")
    again = shelf.load(kept.name)
    assert again.revision > kept.revision
    assert shelf.load(kept.name).revision == again.revision
    with pytest.raises(Outdated):
        shelf.save(kept.name, SHEET, kept.revision)
    assert shelf.load(kept.name).sheet.case == "Record input hisses"


def test_what_the_page_has_no_fields_for_is_not_the_pages_to_change(shelf: Shelf) -> None:
    kept = shelf.add(from_file("# top\nstage: phono-opamp\nwarranty: gone\n", "x"))
    saved = shelf.save(kept.name, replace(SHEET, head="# other", extra="stage: x"), kept.revision)
    assert "warranty: gone" in saved.path.read_text(encoding="utf-8")
    assert "# other" not in saved.path.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["..", "../x", "a/b", ".hidden", "", "x" * 99, "A B", "nul\0"])
def test_a_name_of_a_sheet_cannot_lead_elsewhere(shelf: Shelf, name: str) -> None:
    with pytest.raises(InputError, match="there is no sheet"):
        shelf.load(name)


@pytest.mark.parametrize("given", ["../../evil.csv", "..\\evil.csv", "/etc/evil.csv", ".evil.csv"])
def test_a_sweep_is_kept_inside_its_folder_whatever_its_name(shelf: Shelf, given: str) -> None:
    kept = shelf.add(SHEET)
    name = shelf.keep_sweep(kept.name, given, b"20;1\n")
    assert (kept.folder / name).read_bytes() == b"20;1\n"
    assert not [p for p in shelf.folder.parent.rglob("*evil*") if p.parent != kept.folder]


@pytest.mark.parametrize("given", ["x.pickle", "x.py", "x.html", "x", FILE, "x.yaml"])
def test_only_sweeps_are_kept_beside_a_sheet(shelf: Shelf, given: str) -> None:
    kept = shelf.add(SHEET)
    with pytest.raises(InputError):
        shelf.keep_sweep(kept.name, given, b"20;1\n")


def test_another_sweep_of_the_same_name_does_not_replace_the_first(shelf: Shelf) -> None:
    kept = shelf.add(SHEET)
    names = [shelf.keep_sweep(kept.name, "s.csv", body) for body in (b"20;1", b"20;2", b"20;1")]
    assert names == ["s.csv", "s-2.csv", "s.csv"]


SECRET = "stage: secret\nparts: {}\n"


@pytest.mark.parametrize("word", ["../secret.yaml", "{outside}/secret.yaml", "link.yaml"])
def test_a_sheet_cannot_read_a_stage_outside_its_folder(
    shelf: Shelf, tmp_path: Path, word: str
) -> None:
    kept = shelf.add(SHEET)
    (shelf.folder / "secret.yaml").write_text(SECRET, encoding="utf-8")
    (kept.folder / "link.yaml").symlink_to(shelf.folder / "secret.yaml")
    found = check(replace(SHEET, stage=word.format(outside=shelf.folder)), kept.folder)
    assert found.case is None
    assert [p.field for p in found.problems] == ["stage"]
    assert "folder" in found.problems[0].text


def test_a_unit_file_beside_a_sheet_cannot_read_a_stage_outside_either(
    shelf: Shelf, tmp_path: Path
) -> None:
    (shelf.folder / "secret.yaml").write_text(SECRET, encoding="utf-8")
    unit = b"unit: u\nchain:\n  - {name: a, stage: ../secret.yaml}\n"
    with pytest.raises(InputError, match="leads out"):
        shelf.add(Typed("unit.yaml"), {"unit.yaml": unit})
    assert list(shelf.folder.iterdir()) == [shelf.folder / "secret.yaml"]


def test_a_stage_of_the_users_own_comes_with_the_sheet(shelf: Shelf) -> None:
    kept = shelf.add(Typed("coupling.yaml"), {"coupling.yaml": STAGE})
    found = check(kept.sheet, kept.folder)
    assert found.problems == ()
    assert found.case is not None
    assert found.case.stage.name == "coupling"


def test_a_copy_has_its_files_and_a_life_of_its_own(shelf: Shelf) -> None:
    kept = shelf.add(Typed("coupling.yaml", "first"), {"coupling.yaml": STAGE})
    copy = shelf.copy(kept.name, replace(kept.sheet, mains="60 Hz"))
    assert check(copy.sheet, copy.folder).problems == ()
    assert shelf.load(kept.name).sheet.mains == ""


def test_a_damaged_sheet_stays_on_the_list_with_what_is_wrong(shelf: Shelf) -> None:
    kept = shelf.add(SHEET)
    kept.path.write_text("stage: [", encoding="utf-8")
    (label,) = shelf.labels()
    assert label.name == kept.name
    assert label.problem


def test_the_users_folder_follows_the_environment(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.delenv("AMP_DIAGNOSE_SHEETS", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert default_shelf() == tmp_path / "amplifier-fault-diagnosis" / "sheets"
    monkeypatch.setenv("AMP_DIAGNOSE_SHEETS", str(tmp_path / "mine"))
    assert default_shelf() == tmp_path / "mine"


# -- a disk that takes no more ---------------------------------------------------------------------


def no_room(*given: object) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_full_disk_is_told_and_the_old_sheet_stays(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = shelf.add(SHEET)
    before = sorted(shelf.folder.rglob("*"))
    monkeypatch.setattr(os, "fsync", no_room)
    with pytest.raises(NotKept, match="No space left on device"):
        shelf.save(kept.name, replace(SHEET, case="newer"), kept.revision)
    with pytest.raises(NotKept, match="disk"):
        shelf.add(replace(SHEET, case="another"), {"own.csv": b"20,1\n"})
    with pytest.raises(NotKept, match="disk"):
        shelf.keep_sweep(kept.name, "sweep.csv", b"20,1\n")
    assert sorted(shelf.folder.rglob("*")) == before
    assert shelf.load(kept.name).sheet.case == SHEET.case


def test_a_sheet_changed_by_hand_can_be_read_on_a_full_disk(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = shelf.add(SHEET)
    text = kept.path.read_text(encoding="utf-8").replace("hums", "hisses")
    kept.path.write_text(text, encoding="utf-8")
    monkeypatch.setattr(os, "fsync", no_room)
    assert shelf.load(kept.name).sheet.case == "Record input hisses"


def test_the_page_says_that_the_disk_is_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the status "Insufficient Storage" (RFC 4918), in words that the page shows."""
    app = make_app(tmp_path / "sheets")
    kept = Shelf(tmp_path / "sheets").add(SHEET)
    page = app.test_client()
    shown = page.get(f"/sheet/{kept.name}/data").get_json()
    monkeypatch.setattr(os, "fsync", no_room)
    answer = page.put(f"/sheet/{kept.name}/data",
                      json={"sheet": shown["sheet"], "revision": shown["revision"]})
    assert answer.status_code == 507
    assert "disk: No space left on device" in answer.get_json()["error"]
    assert not list((tmp_path / "sheets").rglob(".part-*"))


def test_what_a_killed_server_left_is_swept_at_the_next_start(tmp_path: Path) -> None:
    kept = Shelf(tmp_path).add(SHEET)
    part, begun = kept.folder / ".part-abc", tmp_path / ".part-record-123456"
    begun.mkdir()
    for path in (part, begun / FILE):
        path.write_text("half")
    for path in (part, begun):
        os.utime(path, (1.0, 1.0))
    assert [label.name for label in Shelf(tmp_path).labels()] == [kept.name]
    assert not part.exists()
    assert not begun.exists()
