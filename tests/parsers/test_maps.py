"""Taught maps: saved under a fingerprint, exchanged as a Table Schema, refused when not fitting."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from ingest.read_command import maps
from parsers import MapDoesNotFit, NotAnAnalyzerFile, ReadOptions, read
from parsers.maps import ColumnMap, MapField, fingerprint, map_from_json, map_json, taught
from parsers.stream_events import StreamRules
from parsers.stream_lines import with_checksum, with_parity
from parsers.streams import StreamReader, readings_of

FILE = b"Zt;K1;K2;K3;K4\n2026-11-25 10:00;5,1;20;356;7\n2026-11-25 10:01;5,2;21;374;7\n"
HEADINGS = ["Zt", "K1", "K2", "K3", "K4"]
MEANINGS = {"Zt": "time", "K1": "o2_dry[%]", "K2": "co_dry[ppm]", "K3": "stack_temperature[°F]"}


def test_unknown_headings_are_refused_until_they_are_taught() -> None:
    with pytest.raises(NotAnAnalyzerFile) as caught:
        read(FILE, "k.csv")
    assert "maps teach" in caught.value.problems[0].next_step
    result = read(FILE, "k.csv", options=ReadOptions(map=taught("k", HEADINGS, MEANINGS)))
    assert result.readings[0].values == pytest.approx(
        {"o2_dry": 5.1, "co_dry": 20.0, "stack_temperature": 180.0}, rel=1e-15
    )
    assert result.readings[0].time is not None
    assert result.columns[0].confidence == 1.0


def test_a_saved_map_is_found_by_the_fingerprint() -> None:
    other = taught("other", ["A", "B"], {"A": "o2_dry[%]"})
    saved = (other, taught("k", HEADINGS, MEANINGS))
    result = read(FILE, "k.csv", options=ReadOptions(maps=saved))
    assert [w.code for w in result.warnings][:1] == ["map_used"]


def test_a_map_that_no_longer_fits_is_refused_with_the_difference() -> None:
    column_map = taught("k", HEADINGS, MEANINGS)
    with pytest.raises(MapDoesNotFit) as caught:
        read(FILE.replace(b"K3", b"K5"), "k.csv", options=ReadOptions(map=column_map))
    assert "'K3'" in str(caught.value)
    assert "'K5'" in str(caught.value)
    with pytest.raises(MapDoesNotFit):
        read(FILE.replace(b"K1;K2", b"K2;K1"), "k.csv", options=ReadOptions(map=column_map))


def test_case_and_spacing_do_not_change_the_fingerprint_but_order_does() -> None:
    assert fingerprint(["K1", "k 2"]) == fingerprint([" k1", "K2"])
    assert fingerprint(["K1", "K2"]) != fingerprint(["K2", "K1"])


def test_a_map_comes_back_whole_from_its_table_schema() -> None:
    column_map = taught("k", HEADINGS, MEANINGS)
    document = json.dumps(map_json(column_map))
    assert map_from_json(document) == column_map
    fields = json.loads(document)["fields"]
    assert all({"name", "type"} <= set(f) for f in fields)


@pytest.mark.parametrize(
    "change",
    [
        {"fluebook:fingerprint": "0" * 16},
        {"fields": [{"name": "a", "type": "number", "fluebook:quantity": "o3"}]},
        {"fields": [{"name": "a", "fluebook:quantity": "o2_dry", "fluebook:unit": "degC"}]},
        {"fields": None},
    ],
)
def test_a_broken_map_is_refused(change: dict[str, object]) -> None:
    document = map_json(taught("k", HEADINGS, MEANINGS)) | change
    with pytest.raises(ValueError, match=r"."):
        map_from_json(document)


def test_maps_are_taught_listed_edited_exported_and_forgotten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FLUEBOOK_MAPS", str(tmp_path / "maps"))
    file = tmp_path / "k.csv"
    file.write_bytes(FILE)
    run = CliRunner()

    def said(*args: str, status: int = 0) -> str:
        done = run.invoke(maps, list(args))
        assert done.exit_code == status, done.output
        return done.output

    assert "'K1': ignore" in said("teach", str(file), "mine")
    columns = [part for k, v in MEANINGS.items() for part in ("--column", f"{k}={v}")]
    said("teach", str(file), "mine", *columns)
    assert "mine: 3 quantities" in said("list")
    said("edit", "mine", "--column", "K4=no_dry[ppm]")
    exported = said("export", "mine")
    assert map_from_json(exported).fields[4].means == "no_dry"
    said("teach", str(file), "stream", *columns, "--checksum", "crc16", "--line-end", "cr")
    assert map_from_json(said("export", "stream")).lines.checksum == "crc16"
    said("forget", "stream")
    said("teach", str(file), "stream", *columns, "--checksum", "md5", status=64)
    (tmp_path / "x.json").write_text(exported, encoding="utf-8")
    said("import", str(tmp_path / "x.json"), "--name", "second")
    said("forget", "mine")
    assert "mine" not in said("list")
    said("export", "mine", status=64)
    said("teach", str(file), "mine", "--column", "K1=o9", status=64)


def test_a_map_states_how_a_stream_ends_and_guards_its_lines() -> None:
    document = map_json(ColumnMap("mine", (MapField("K1", "o2_dry"), MapField("K2", "co_dry"))))
    assert "fluebook:lines" not in document
    document["fluebook:lines"] = {"lineEnd": "cr", "checksum": "xor8", "parityBit": "even"}
    taught_map = map_from_json(document)
    assert map_json(taught_map) == document
    rules = StreamRules(map=taught_map)
    assert (rules.line_end, rules.checksum, rules.parity_bit) == (b"\r", "xor8", "even")
    assert StreamRules(map=taught_map, checksum="crc16").checksum == "crc16"

    def sent(line: bytes) -> bytes:
        return with_parity(with_checksum("xor8", line) + b"\r", "even")

    good = sent(b"K1;K2") + sent(b"5.1;12") + sent(b"5.2;13")
    events = StreamReader(rules).feed(good)
    assert [dict(e.reading.values) for e in readings_of(events)] == [
        {"o2_dry": 5.1, "co_dry": 12.0},
        {"o2_dry": 5.2, "co_dry": 13.0},
    ]


@pytest.mark.parametrize(
    "wrong", [{"lineEnd": "eof"}, {"checksum": "md5"}, {"parityBit": "mark"}, {"stars": "2"}]
)
def test_rules_of_lines_that_are_not_known_are_refused(wrong: dict[str, str]) -> None:
    document = map_json(ColumnMap("mine", (MapField("K1", "o2_dry"),)))
    with pytest.raises(ValueError, match=next(iter(wrong))):
        map_from_json(document | {"fluebook:lines": wrong})
