"""What the pages of a Parquet log may claim."""

import io
import itertools

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from perfkit.frames import pages
from perfkit.frames.combined import Scattered
from perfkit.frames.logs import BadLog, open_parquet
from perfkit.frames.pages import check_pages
from perfkit.frames.sources import LogRequest, measure_log, record_combined
from perfkit.frames.statistics import finish_each
from tests.frames.make import parquet_log

IDS = pa.array([f"pass {n // 700}" for n in range(7_000)])
TIMES = np.linspace(10.0, 20.0, 7_000)
BOTH = pa.table({"pass_id": IDS, "frame_ms": TIMES})


def written(place, table=BOTH, **options):
    path = place / "x.parquet"
    pq.write_table(table, path, **options)
    return path


def check(path):
    with open(path, "rb") as stream:
        check_pages(stream.fileno(), open_parquet(stream), ("frame_ms", "pass_id"))


@pytest.mark.parametrize(
    ("codec", "version", "dictionary"),
    [
        *itertools.product(
            ["none", "snappy", "gzip", "zstd", "lz4", "brotli"], ["1.0", "2.0"], [0, 1]
        )
    ],
)
def test_good_files_of_every_codec_and_version_pass(codec, version, dictionary, tmp_path):
    path = written(
        tmp_path,
        compression=codec,
        data_page_version=version,
        use_dictionary=bool(dictionary),
        row_group_size=3_000,
        data_page_size=512,
        write_page_index=True,
        write_page_checksum=True,
    )
    check(path)
    request = LogRequest(tmp_path, "x.parquet", "frame_ms", "ms", ())
    assert sum(found.frames for _, found in finish_each(record_combined(request))) == 7_000


def test_each_page_is_counted(tmp_path, monkeypatch):
    path = written(tmp_path, use_dictionary=False, data_page_size=512, write_batch_size=64)
    monkeypatch.setattr(pages, "MOST_PAGES", 2 * -(-7_000 // 64))
    check(path)
    monkeypatch.setattr(pages, "MOST_PAGES", 2 * -(-7_000 // 64) - 1)
    with pytest.raises(BadLog, match="pages of a megabyte"):
        check(path)


def test_the_largest_page_is_the_last_that_passes(tmp_path, monkeypatch):
    path = written(tmp_path, BOTH.select(["frame_ms"]), use_dictionary=False, compression="none")
    page = 8 * 7_000 + 7  # plain values behind levels of one run: four bytes of length, three of it
    monkeypatch.setattr(pages, "PAGE_BYTES", page)
    check(path)
    monkeypatch.setattr(pages, "PAGE_BYTES", page - 1)
    with pytest.raises(BadLog, match=f"a page of {page:,} bytes"):
        check(path)


def test_a_page_that_unpacks_to_gigabytes_is_refused_unread(tmp_path):
    table = pa.table({"pass_id": ["x" * pages.PAGE_BYTES], "frame_ms": [16.0]})
    path = written(
        tmp_path, table, use_dictionary=False, compression="zstd", write_statistics=False
    )
    assert path.stat().st_size < 2**20
    with pytest.raises(BadLog, match="may unpack to 134,217,728 bytes"):
        check(path)


@pytest.mark.parametrize("version", ["1.0", "2.0"])
def test_texts_with_their_lengths_apart_are_read(version, tmp_path):
    encoding = {"pass_id": "DELTA_LENGTH_BYTE_ARRAY"}
    written(tmp_path, use_dictionary=False, column_encoding=encoding, data_page_version=version)
    request = LogRequest(tmp_path, "x.parquet", "frame_ms", "ms", ())
    apart = list(finish_each(record_combined(request)))
    assert [name for name, _ in apart] == [f"pass {n}" for n in range(10)]
    written(tmp_path)
    assert apart == list(finish_each(record_combined(request)))


def test_texts_that_grow_by_their_prefixes_are_refused(tmp_path):
    path = written(tmp_path, use_dictionary=False, column_encoding={"pass_id": "DELTA_BYTE_ARRAY"})
    with pytest.raises(BadLog, match="DELTA_BYTE_ARRAY"):
        check(path)


def test_a_name_longer_than_any_cell_is_refused(tmp_path):
    table = pa.table({"pass_id": ["é" * 262_145], "frame_ms": [16.0]})
    written(tmp_path, table)
    request = LogRequest(tmp_path, "x.parquet", "frame_ms", "ms", ())
    with pytest.raises(BadLog, match="at most 524,288 bytes"):
        list(finish_each(record_combined(request)))


def test_a_claimed_page_beyond_its_column_is_refused(tmp_path):
    data = bytearray(parquet_log({"frame_ms": [16.0] * 9}))
    assert data[4:7] == b"\x15\x04\x15"  # a dictionary page follows the file's mark
    data[7] = 0x7F  # of another size, unpacked
    data[9] = 0x7F  # and packed
    (tmp_path / "x.parquet").write_bytes(data)
    found = measure_log(LogRequest(tmp_path, "x.parquet", "frame_ms", "ms", ()))
    assert isinstance(found, BadLog)
    assert found.value == "a damaged page header"


def test_every_single_damaged_byte_is_measured_or_told(tmp_path):
    target = io.BytesIO()
    pq.write_table(BOTH.slice(690, 20), target, compression="none")
    data = bytearray(target.getvalue())
    request = LogRequest(tmp_path, "x.parquet", "frame_ms", "ms", ())
    refused = 0
    for place in range(len(data)):
        data[place] ^= 1
        (tmp_path / "x.parquet").write_bytes(data)
        data[place] ^= 1
        found = measure_log(request)
        try:
            list(finish_each(record_combined(request)))
        except (BadLog, Scattered):
            refused += 1
        assert isinstance(found, BadLog) or found.frames > 0
    assert refused > len(data) / 4
