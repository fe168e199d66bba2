"""Files are written whole or not at all."""

import errno
import os

import pytest

from trialkit.app.folders import trial_folder, write_file, write_new_file
from trialkit.errors import RequestError


def test_a_full_disk_leaves_the_old_file_and_names_it(tmp_path, monkeypatch):
    path = tmp_path / "page.html"
    write_file(path, b"old")

    def full(handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OSError, match="No space") as error:
        write_file(path, b"new")
    assert error.value.filename == str(path)
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["page.html"]


def test_a_file_that_is_there_is_not_overwritten(tmp_path):
    path = tmp_path / "keys.txt"
    write_new_file(path, b"first")
    with pytest.raises(RequestError, match="not overwritten"):
        write_new_file(path, b"second")
    assert path.read_bytes() == b"first"


@pytest.mark.parametrize("kind", ["missing", "file", "empty"])
def test_what_is_no_trial_is_said(tmp_path, kind):
    root = tmp_path / "x"
    if kind == "file":
        root.write_text("")
    if kind == "empty":
        root.mkdir()
    with pytest.raises(RequestError, match="not the folder of a trial"):
        trial_folder(root)
