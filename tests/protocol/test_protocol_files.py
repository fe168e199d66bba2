"""What stands at the door: files that are no protocol are refused with one clear problem."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from trialkit.errors import ProtocolError
from trialkit.protocol import load, loads, protocol_sha256, read_protocol_text
from trialkit.protocol.reading import LARGEST_FILE


@pytest.mark.parametrize(
    ("content", "found", "fix"),
    [
        (b"", "an empty file", "trialkit new"),
        (b" \r\n\t\n", "an empty file", "trialkit new"),
        (b"\xef\xbb\xbf", "an empty file", "trialkit new"),
        (b"a = 1\nb = '\xe9'\n", "the byte 0xe9", "UTF-8"),
        ("format = 1".encode("utf-16"), "UTF-16", "UTF-8"),
        (b".FIT\x00\x01\x02", "binary", "TOML"),
        (b"#" * (LARGEST_FILE + 1), "more than 1 MiB", "not a recording"),
        (b"a = " + b"[" * 5000, "nested", "ready"),
        (b"a = " + b"[" * 5000 + b"]" * 5000, "nested", "ready"),
    ],
)
def test_no_protocol_at_all(tmp_path: Path, content: bytes, found: str, fix: str) -> None:
    path = tmp_path / "my.toml"
    path.write_bytes(content)
    with pytest.raises(ProtocolError) as caught:
        load(path)
    (problem,) = caught.value.problems
    assert problem.where == "my.toml"
    assert found in problem.found
    assert fix in problem.fix


def test_the_line_of_a_byte_that_is_not_utf8(tmp_path: Path) -> None:
    path = tmp_path / "my.toml"
    path.write_bytes(b"a = 1\nb = '\xe9'\n")
    with pytest.raises(ProtocolError) as caught:
        load(path)
    assert caught.value.problems[0].line == 2


def test_a_folder_a_pipe_and_nothing(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for name, found in (("", "a folder"), ("pipe", "no ordinary"), ("no.toml", "no such file")):
        with pytest.raises(ProtocolError, match=found):
            load(tmp_path / name)


def test_a_file_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "my.toml"
    path.write_text("format = 1")

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(ProtocolError, match="permission denied"):
        load(path)


@pytest.mark.parametrize("bom", ["", "\N{ZERO WIDTH NO-BREAK SPACE}"])
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_windows_files_read_like_others_and_keep_their_bytes(
    tmp_path: Path, sound: str, bom: str, ending: str
) -> None:
    path = tmp_path / "my.toml"
    path.write_bytes((bom + sound.replace("\n", ending)).encode())
    assert load(path) == loads(sound, where="x")
    # The hash that freezes a trial is over the file's bytes: nothing may be tidied on the way.
    assert protocol_sha256(read_protocol_text(path).encode()) == protocol_sha256(path.read_bytes())


def test_windows_line_ends_do_not_move_problems(sound: str) -> None:
    lines = []
    for ending in ("\n", "\r\n"):
        text = sound.replace("blocks = 8", "blocks = 0").replace("\n", ending)
        with pytest.raises(ProtocolError) as caught:
            loads(text, where="x")
        lines.append(caught.value.problems[0].line)
    assert lines[0] == lines[1] == sound[: sound.index("blocks = 8")].count("\n") + 1


def test_a_huge_file_with_faults_is_judged_in_seconds() -> None:
    text = 'a = """\n' + "x = 2,5\n" * 100_000  # never closed: each look back reads all of it
    with pytest.raises(ProtocolError, match="not closed"):
        loads(text, where="x")


def test_the_hash_is_that_of_the_standard_library() -> None:
    assert protocol_sha256(b"format = 1\n") == hashlib.sha256(b"format = 1\n").hexdigest()
