"""The personal store: nothing is lost, nothing half written, and every fault is told in one line."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from stored_cues import correction, corrections, learn, melody, record

from phrasewright.data.corrections import check_style_name, fingerprint
from phrasewright.data.errors import InputError, StoreError, StyleMovedError, UsageError
from phrasewright.data.schema import MIGRATIONS, seal
from phrasewright.data.store import FILE_NAME, RECORDS_PER_CUE, Store, store_folder


def test_a_first_pass_comes_back_as_it_was_written(tmp_path: Path) -> None:
    written = record()
    with Store(tmp_path) as store:
        store.record_shaped(written)
    with Store(tmp_path) as store:
        (found,) = store.shaped_like([melody(0)], fingerprint=written.fingerprint)
    assert (found.name, found.style, found.version, found.file_hash) == ("cue.mid", "shipped", "1", "a")
    part = found.parts[0]
    assert part.name == "Violins Ⅰ"
    for field in ("onset_s", "offset_s", "onset_beat", "offset_beat"):
        assert getattr(part.notes, field) == pytest.approx(getattr(melody(0), field), abs=1e-6)
    assert np.array_equal(part.notes.pitch, melody(0).pitch)
    assert np.array_equal(part.lanes["dynamics"].value_cc, [60, 70, 65])
    assert part.lanes["dynamics"].time_s == pytest.approx([0, 0.5, 1.25])
    assert np.array_equal(part.kept_s["dynamics"], [[0.5, 1.0]])


def test_a_cue_with_bars_cut_is_found_among_others_by_its_notes(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        for seed in range(30):
            store.record_shaped(record(seed, hash_=str(seed)))
        cut = melody(7)
        keep = np.r_[0:20, 32:60]
        some = cut.take(keep)
        best = store.shaped_like([some], fingerprint=fingerprint([some]))[0]
        assert best.file_hash == "7"
        assert not store.shaped_like([melody(99)], fingerprint=fingerprint([melody(99)]))


def test_only_the_newest_first_passes_of_a_cue_are_kept(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        for i in range(RECORDS_PER_CUE + 5):
            store.record_shaped(record(hash_=str(i)))
        store.record_shaped(record(hash_="16"))
        found = store.shaped_like([melody(0)], fingerprint=record().fingerprint)
    assert [one.file_hash for one in found][:2] == ["16", "15"]
    assert len(found) == RECORDS_PER_CUE


def test_the_log_gives_corrections_back_with_their_cue(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        ids = store.append("bright-hand", corrections())
        store.append("bright-hand", replace(corrections(1), corrections=(correction(5, kind="drawn", steps=33),)))
        logged = store.corrections("bright-hand")
        assert [one.id for one in logged[:3]] == ids
        first, last = logged[0], logged[-1]
        assert first.correction.predicted is not None
        assert first.correction.left.value_cc.tolist() == [80, 84]
        assert first.correction.predicted.time_s == pytest.approx([0.9, 1.1])
        assert last.correction.predicted is None
        assert last.session != first.session
        assert last.cue_id == first.cue_id  # the same notes are stored once
        assert store.cue(first.cue_id).content == b"MThd and so on"
        assert store.cues("bright-hand") == [(first.cue_id, "f" * 64, "cue.mid", 4)]
        assert [one.id for one in store.corrections("bright-hand", [ids[1]])] == [ids[1]]
        assert store.check() == []


def test_undo_gives_the_version_before_exactly(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        learn(store, "hand", payload=b"first")
        before = store.head("hand"), store.version_payload("hand", 1), store.active_ids("hand")
        learn(store, "hand", payload=b"second")
        assert len(store.active_ids("hand")) == 6
        assert store.undo("hand") == before[0]
        assert (store.head("hand"), store.version_payload("hand", 1), store.active_ids("hand")) == before
        assert store.undo("hand") is None
        assert store.active_ids("hand") == []
        with pytest.raises(InputError, match="nothing to undo"):
            store.undo("hand")
        assert learn(store, "hand", payload=b"third") == 3  # numbers are never given twice
        assert store.version("hand", 3).parent is None


def test_a_version_that_was_not_used_still_counts_as_evidence(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        learn(store, "hand")
        learn(store, "hand", used=False)
        head = store.head("hand")
        assert head is not None
        assert head.version == 1
        assert len(store.active_ids("hand")) == 6


def test_a_cue_can_be_left_out(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        learn(store, "hand", cue="1" * 64)
        learn(store, "hand", cue="2" * 64)
        kept = store.active_ids("hand", without="1" * 64)
        assert {one.fingerprint for one in store.corrections("hand", kept)} == {"2" * 64}
        head = store.head("hand")
        assert head is not None
        store.add_version("hand", payload=b"x", corrections=kept, used=True, why="forgotten", head=head.version)
        assert store.active_ids("hand") == kept
        store.undo("hand")
        assert len(store.active_ids("hand")) == 6


def test_two_who_learn_one_style_at_once_are_told(tmp_path: Path) -> None:
    with Store(tmp_path) as one, Store(tmp_path) as other:
        learn(one, "hand")
        with pytest.raises(StyleMovedError, match="version 0 to 1"):
            other.add_version("hand", payload=b"x", corrections=[], used=True, why="", head=None)


def test_deleting_a_style_takes_its_log_and_leaves_others(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        learn(store, "hand")
        learn(store, "other", cue="e" * 64)
        store.delete("hand")
        assert store.styles() == ["other"]
        assert store.corrections("hand") == []
        assert len(store.corrections("other")) == 3
        with pytest.raises(InputError, match="other"):
            store.delete("hand")
        assert store.check() == []


@pytest.mark.parametrize("name", ["", "Hand", "my hand", "../hand", "x" * 41, "hand.", "h\n", "ä"])
def test_style_names_are_safe(name: str, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no style name"):
        check_style_name(name)
    with Store(tmp_path) as store, pytest.raises(UsageError):
        store.append(name, corrections())


def test_the_store_stands_where_the_environment_says(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PHRASEWRIGHT_HOME", "~/as/in/a/file/of/settings")
    assert store_folder() == Path.home() / "as/in/a/file/of/settings"
    monkeypatch.setenv("PHRASEWRIGHT_HOME", str(tmp_path / "home"))
    assert store_folder() == tmp_path / "home"
    with Store():
        pass
    assert (tmp_path / "home" / FILE_NAME).is_file()
    monkeypatch.delenv("PHRASEWRIGHT_HOME")
    assert store_folder().name == "phrasewright"


def test_a_store_from_a_newer_version_is_refused(tmp_path: Path) -> None:
    with Store(tmp_path):
        pass
    db = sqlite3.connect(tmp_path / FILE_NAME)
    db.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    db.close()
    with pytest.raises(StoreError, match=r"newer phrasewright.*update phrasewright"):
        Store(tmp_path)


def test_a_file_that_is_no_store_is_told_apart(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_bytes(b"no database at all, but long enough to be taken for one" * 40)
    with pytest.raises(StoreError, match="damaged"):
        Store(tmp_path)


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="PHRASEWRIGHT_HOME"):
        Store(tmp_path / "file")


def test_a_store_that_cannot_be_written_can_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Store(tmp_path) as store:
        learn(store, "hand", payload=b"kept")
    monkeypatch.setattr("phrasewright.data.store.os.access", lambda *_: False)  # root may write everywhere
    with Store(tmp_path) as store:
        assert store.version_payload("hand", 1) == b"kept"
        with pytest.raises(StoreError, match="PHRASEWRIGHT_HOME"):
            learn(store, "hand")
    with pytest.raises(StoreError, match="PHRASEWRIGHT_HOME"):
        Store(tmp_path / "elsewhere")


def test_check_finds_a_payload_that_was_changed(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        learn(store, "hand")
        store.record_shaped(record())
    db = sqlite3.connect(tmp_path / FILE_NAME)
    db.create_function("seal", -1, seal)
    db.execute("UPDATE version SET payload = x'00'")
    db.execute("UPDATE correction SET payload = x'01' WHERE id = 2")
    db.execute("UPDATE shaped SET payload = x'02'")
    db.commit()
    db.close()
    with Store(tmp_path) as store:
        assert store.check() == [
            "first pass of cue.mid is damaged", "correction 2 is damaged", "version of hand 1 is damaged",
        ]  # fmt: skip
        with pytest.raises(StoreError, match="damaged"):
            store.version_payload("hand", 1)
        with pytest.raises(StoreError, match="style check"):
            store.corrections("hand")


def test_a_correction_of_a_kind_there_is_not_is_told_as_damaged(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        learn(store, "hand")
    db = sqlite3.connect(tmp_path / FILE_NAME)
    db.create_function("seal", -1, seal)
    db.execute("UPDATE correction SET kind = 'cHanged' WHERE id = 2")
    db.commit()
    db.close()
    with Store(tmp_path) as store, pytest.raises(StoreError, match=r"correction 2 of hand is damaged .*style check"):
        store.corrections("hand")


def test_a_style_whose_name_was_lost_does_not_hide_the_others(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        learn(store, "hand")
        learn(store, "other")
    db = sqlite3.connect(tmp_path / FILE_NAME)
    for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        db.execute(f"DROP TRIGGER {name}")
    db.execute("UPDATE style SET name = NULL WHERE name = 'other'")
    db.commit()
    db.close()
    with Store(tmp_path) as store:
        assert store.styles() == ["hand"]
        assert store.check()
        with pytest.raises(InputError, match="there are: hand"):
            store.head("nobody")


def test_a_store_of_the_version_before_is_sealed_as_it_is(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        learn(store, "hand")
        store.record_shaped(record())
    db = sqlite3.connect(tmp_path / FILE_NAME)
    for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        db.execute(f"DROP TRIGGER {name}")
    db.execute("DROP TABLE seal")
    db.execute("ALTER TABLE cue DROP COLUMN plan")
    db.execute("PRAGMA user_version = 1")
    db.commit()
    db.close()
    with Store(tmp_path) as store:
        assert store.check() == []
        learn(store, "hand")
        store.undo("hand")
        store.renew_payload("hand", 1, b"anew")
        assert store.check() == []
        store.delete("hand")
        assert store.check() == []


def test_check_finds_whatever_was_changed_or_lost_behind_the_seals(tmp_path: Path) -> None:
    """As a disk does it: no trigger sees it."""
    with Store(tmp_path) as store:
        learn(store, "hand")
        learn(store, "hand")
        store.record_shaped(record())
    db = sqlite3.connect(tmp_path / FILE_NAME)
    made = db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    for name, _ in made:
        db.execute(f"DROP TRIGGER {name}")
    for change in (
        "UPDATE style SET head = 1", "UPDATE correction SET weight = 0.5 WHERE id = 3",
        "UPDATE session SET predicted_by = 'hand' WHERE id = 1", "UPDATE shaped SET sketch = x'00'",
        "UPDATE version SET created = '2020' WHERE version = 2", "DELETE FROM correction WHERE id = 1",
    ):  # fmt: skip
        db.execute(change)
    for _, sql in made:
        db.execute(sql)
    db.commit()
    db.close()
    with Store(tmp_path) as store:
        assert store.check() == [
            f"{row} is not as it was written"
            for row in ("shaped 1", "style hand", "session 1", "correction 3", "version hand 2", "correction 1")
        ]


def test_pages_written_over_are_found_without_a_traceback(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        for _ in range(20):
            learn(store, "hand", payload=bytes(5000))
    path = tmp_path / FILE_NAME
    raw = bytearray(path.read_bytes())
    raw[4096 * 3 : 4096 * 12] = random.Random(1).randbytes(4096 * 9)
    path.write_bytes(raw)
    with pytest.raises(StoreError, match="damaged"), Store(tmp_path) as store:  # noqa: PT012 - any of them may find it
        if store.check():
            raise StoreError("damaged")
        store.corrections("hand")


def writer(folder: Path, number: int, times: int) -> subprocess.Popen[str]:
    program = Path(__file__).with_name("stored_cues.py")
    command = [sys.executable, str(program), str(folder), str(number), str(times)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def test_eight_processes_write_at_once(tmp_path: Path) -> None:
    processes = [writer(tmp_path, i, 2) for i in range(8)]
    for process in processes:
        _, told = process.communicate(timeout=60)
        assert process.returncode == 0, told
    with Store(tmp_path) as store:
        assert store.check() == []
        assert [v.version for v in store.versions("shared")] == list(range(1, 17))
        chain = [v.parent for v in store.versions("shared")]
        assert chain == [None, *range(1, 16)]
        assert len(store.corrections("own-5")) == 6


def test_a_killed_writer_leaves_the_store_intact(tmp_path: Path) -> None:
    chance = random.Random(4)
    for _ in range(4):
        process = writer(tmp_path, 1, 500)
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(chance.uniform(0.0, 0.25))
        os.kill(process.pid, signal.SIGKILL)
        process.communicate()
        with Store(tmp_path) as store:
            assert store.check() == []
            for style in store.styles():
                head = store.head(style)
                if head is not None:
                    assert store.version_payload(style, head.version)
                    assert len(store.corrections(style, head.corrections)) == len(head.corrections)
