"""Opening files inside a study: never outside, never waiting, never without bound."""

import gzip
import os
import zlib

import pytest

from perfkit.study import folder as room
from perfkit.study.folder import (
    Refused,
    check_name,
    find_inside,
    open_inside,
    open_text,
    read_inside,
)


def test_a_regular_file_is_opened_at_its_start(tmp_path):
    (tmp_path / "a.csv").write_bytes(b"abc")
    with open_inside(tmp_path, "a.csv") as file:
        assert file.read() == b"abc"
        assert file.seekable()


def test_find_follows_links_to_the_real_place(tmp_path):
    (tmp_path / "a.csv").write_bytes(b"abc")
    (tmp_path / "b.csv").symlink_to("a.csv")
    assert find_inside(tmp_path, "b.csv") == tmp_path / "a.csv"


def test_a_neighbour_whose_name_starts_alike_is_outside(tmp_path):
    (tmp_path / "study").mkdir()
    (tmp_path / "study-other").mkdir()
    (tmp_path / "study-other" / "a.csv").write_text("x")
    (tmp_path / "study" / "a.csv").symlink_to("../study-other/a.csv")
    with pytest.raises(Refused, match="the link leads outside the study; copy the file into"):
        open_inside(tmp_path / "study", "a.csv")


def test_a_name_with_nul_is_refused(tmp_path):
    with pytest.raises(Refused, match="a path uses forward slashes"):
        check_name("a\0.csv")
    with pytest.raises(Refused, match=r"the file cannot be reached \(.*null"):
        find_inside(tmp_path, "a\0.csv")


def test_a_file_that_may_not_be_read_is_refused(tmp_path, monkeypatch):
    def forbidden(*args):
        raise PermissionError(13, "Permission denied")

    (tmp_path / "a.csv").write_text("x")
    monkeypatch.setattr(room.os, "open", forbidden)
    with pytest.raises(Refused, match=r"cannot be opened \(Permission denied\); allow reading it"):
        open_inside(tmp_path, "a.csv")


def test_a_file_that_becomes_a_link_while_opened_is_refused(tmp_path, monkeypatch):
    (tmp_path / "a.csv").write_text("x")
    (tmp_path / "out.csv").write_text("secret")
    found = find_inside(tmp_path, "a.csv")
    (tmp_path / "a.csv").unlink()
    (tmp_path / "a.csv").symlink_to("out.csv")
    monkeypatch.setattr(room, "find_inside", lambda root, name: found)
    with pytest.raises(Refused, match="the file cannot be opened"):
        open_inside(tmp_path, "a.csv")


def test_a_file_that_becomes_a_pipe_while_opened_is_refused(tmp_path, monkeypatch):
    os.mkfifo(tmp_path / "a.csv")
    monkeypatch.setattr(room, "find_inside", lambda root, name: root / name)
    with pytest.raises(Refused, match="the file changed while it was opened"):
        open_inside(tmp_path, "a.csv")


def test_a_limit_is_held_to_the_byte(tmp_path):
    (tmp_path / "a.csv").write_bytes(b"1234")
    assert read_inside(tmp_path, "a.csv", 4) == b"1234"
    with pytest.raises(Refused, match="the file may have 3 bytes; split the study"):
        read_inside(tmp_path, "a.csv", 3)


def test_text_is_bounded_after_decompression_to_the_byte(tmp_path):
    (tmp_path / "a.csv.gz").write_bytes(gzip.compress(b"x" * 1000))
    with open_text(tmp_path, "a.csv.gz", limit=1000) as text:
        assert text.read() == b"x" * 1000
    with (
        open_text(tmp_path, "a.csv.gz", limit=999) as text,
        pytest.raises(Refused, match="a log may grow to 999 bytes of text; keep only the frame"),
    ):
        text.read()


def test_every_member_of_a_gzip_file_is_read(tmp_path):
    parts = [b"frame_ms\n", b"", b"16\n", b"17\n"]
    (tmp_path / "a.csv.gz").write_bytes(b"".join(map(gzip.compress, parts)))
    with open_text(tmp_path, "a.csv.gz") as text:
        assert text.read() == b"frame_ms\n16\n17\n"


@pytest.mark.parametrize(
    "spoil",
    [
        lambda data: data[:-9],
        lambda data: data[: len(data) // 2],
        lambda data: data[:15] + bytes([data[15] ^ 255]) + data[16:],
        lambda data: data[:-5] + bytes([data[-5] ^ 1]) + data[-4:],
        lambda data: b"not gzip at all",
        lambda data: data + b"trailing text",
        lambda data: zlib.compress(b"frame_ms\n"),
    ],
    ids=["cut", "half", "flipped", "sum", "plain", "trailing", "zlib"],
)
def test_a_damaged_gzip_file_is_refused(tmp_path, spoil):
    whole = gzip.compress(b"frame_ms\n" + b"".join(b"%d\n" % n for n in range(1000)))
    (tmp_path / "a.csv.gz").write_bytes(spoil(whole))
    with (
        open_text(tmp_path, "a.csv.gz") as text,
        pytest.raises(Refused, match=r"cut short or damaged \(.+\); copy or export it again"),
    ):
        text.read()


def test_closing_the_text_closes_the_file(tmp_path):
    (tmp_path / "a.csv").write_bytes(b"x")
    text = open_text(tmp_path, "a.csv")
    assert text.readable()
    text.close()
    assert text.closed
    with pytest.raises(ValueError, match="closed"):
        text.read()
