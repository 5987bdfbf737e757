"""The record out to a file and readings back in."""

import asyncio
import csv
import json
import sqlite3
import stat
import subprocess
import sys
import tracemalloc
from collections.abc import Iterator
from contextlib import closing, nullcontext
from io import StringIO
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from fastapi.testclient import TestClient
from prometheus_client.parser import text_string_to_metric_families
from starlette.requests import ClientDisconnect
from starlette.types import Message

from api.routes.export import Poured
from controller.cli import main
from controller.clock import rfc3339
from controller.errors import StoreError
from controller.exporting import parquet_form
from controller.exporting.forms import ExportError, Form, export
from controller.exporting.rows import PAGE_ROWS, TIMES, Wanted, What, pages
from controller.exporting.taking_in import RefusedImportError, take_in
from controller.settings import Store
from controller.store import blocks, journal, keeping, migrations, reading_back, runs
from controller.store.connection import Lock, open_reader, open_writer, transaction
from controller.store.readings import HOUR_MS, StoredReading
from controller.store.retention import Retention
from controller.store.sums import DAY_MS
from controller.wire.senml import resolve
from tests.api_site import NOW_MS, ApiSite

ALL = Wanted(What.READINGS, 0, 253_402_300_800_000)
ROWS = PAGE_ROWS + 7
"""More than a page, so that the next one begins where this one ended."""
HEAD = "enclosure,probe,quantity,unit,taken,arrived,value,grade"
LINE = "larch,soil-10,soil,Cel,2026-03-01T04:12:00.000Z,2026-03-01T04:12:00.310Z,18.06,good"


def keep(folder: Path, count: int = ROWS) -> None:
    """Keep readings of two probes, and a heater run that is over and one that is not."""
    with closing(open_writer(folder / "readings.db", migrations.READINGS)) as connection:
        kept = [
            StoredReading("larch", "soil-10", "soil", "Cel", 10.0 + number * 0.0625, at, at + 310, "good")
            for number in range(count)
            for at in (NOW_MS - 10_000 * (count - number),)
        ]
        kept.append(StoredReading("larch", 'odd "name", too', "air", "Cel", -1 / 3, NOW_MS, NOW_MS, "doubted"))
        keeping.add(connection, kept)
        with transaction(connection):
            runs.begin(connection, "larch", NOW_MS - 900_000)
            runs.add_energy(connection, "larch", 1234.5)
            runs.finish(connection, "larch", NOW_MS - 600_000, "order")
            runs.begin(connection, "larch", NOW_MS - 60_000)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a folder with a record."""
    keep(tmp_path)
    return tmp_path


def text(folder: Path, wanted: Wanted = ALL, form: Form = Form.CSV) -> str:
    """Return an export as text."""
    return b"".join(export(folder, wanted, form)).decode()


def test_every_reading_leaves_once_in_the_order_of_its_key(folder: Path) -> None:
    """Over the border of a page as well; commas and quotes are RFC 4180's."""
    lines = list(csv.reader(StringIO(text(folder))))
    assert ",".join(lines[0]) == HEAD
    assert len(lines) == 1 + ROWS + 1
    assert len({tuple(line[:5]) for line in lines}) == len(lines)
    assert [line[4] for line in lines[2:] if line[1] == "soil-10"] == sorted(
        line[4] for line in lines[2:] if line[1] == "soil-10"
    )
    assert [line[1] for line in lines].count('odd "name", too') == 1
    assert text(folder).count("\r\n") == len(lines)


def test_what_waits_to_be_packed_is_unpacked_once_for_all_probes_and_anew_after_a_commit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was at each probe: an hour of 240 took the pages' process minutes. What is packed meanwhile comes once."""
    said = [StoredReading("larch", f"p{n:02d}", "soil", "Cel", 15.0, NOW_MS, NOW_MS, "good") for n in range(30)]
    unpacked: list[bytes] = []
    unpack = blocks.unpack
    monkeypatch.setattr(blocks, "unpack", lambda packed: unpacked.append(packed) or unpack(packed))
    with closing(open_writer(tmp_path / "readings.db", migrations.READINGS)) as connection:
        kept = keeping.Keeping(connection)
        for minute in range(3):
            kept.add([each._replace(taken_ms=NOW_MS + 60_000 * minute) for each in said])
        unpacked.clear()
        found = pages(tmp_path, ALL)
        first = [next(found) for _ in range(10)]
        assert len(unpacked) == 3
        kept.add([each._replace(taken_ms=NOW_MS + 60_000 * 3) for each in said])
        kept.pack_all()
        rest = list(found)
    assert [len(page) for page in first] == [3] * 10
    assert [len(page) for page in rest] == [1] + [4] * 20


def test_a_round_trip_is_exact(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Out, in to a fresh folder, and out again: byte for byte, roll-ups included."""
    first, elsewhere = text(folder), tmp_path_factory.mktemp("fresh")
    file = elsewhere / "record.csv"
    file.write_text(first, encoding="utf-8", newline="")
    assert (take_in(elsewhere, file).rows, take_in(elsewhere, file).new) == (ROWS + 1, 0)
    assert text(elsewhere) == first
    assert _hours(elsewhere) == _hours(folder)


def _hours(folder: Path) -> dict[str, list[tuple[int, float, float, float]]]:
    with closing(open_reader(folder / "readings.db")) as record:
        names = [row[0] for row in record.execute("SELECT name FROM probe")]
        return {name: reading_back.hours(record, "larch", name, 0) for name in names}


def test_senml_is_one_pack_that_resolves_to_the_same_values(folder: Path) -> None:
    """Base name and unit once per probe; a doubted reading says so."""
    records = json.loads(text(folder, form=Form.SENML))
    assert len(records) == ROWS + 1
    assert [each["bn"] for each in records if "bn" in each] == ['larch/odd "name", too', "larch/soil-10"]
    assert records[0] == {
        "bn": 'larch/odd "name", too',
        "bu": "Cel",
        "t": NOW_MS / 1000,
        "v": -1 / 3,
        "grade": "doubted",
    }
    assert records[1]["t"] == (NOW_MS - 10_000 * ROWS) / 1000
    assert "grade" not in records[1]
    assert text(folder, Wanted(What.READINGS, 0, 1), Form.SENML) == "[]\n"


def test_senml_has_no_time_that_counts_from_now(tmp_path: Path) -> None:
    """A clock that was not set has said 1970; a reader of SenML would take it for the coming minute."""
    moments = (60_000, 2**28 * 1000 - 1, 2**28 * 1000, NOW_MS)
    with closing(open_writer(tmp_path / "readings.db", migrations.READINGS)) as connection:
        keeping.add(
            connection, [StoredReading("larch", "soil-10", "soil", "Cel", 1.0, ms, ms, "good") for ms in moments]
        )
    told = resolve(json.loads(text(tmp_path, form=Form.SENML)), NOW_MS)
    assert [round(each.time_s * 1000) for each in told] == list(moments[2:])
    assert text(tmp_path).count("\r\n") == 1 + len(moments)


def test_what_was_taken_away_is_told_with_an_export(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By the command and as a header: a file that begins a year ago looks like all there ever was."""
    with closing(open_writer(tmp_path / "readings.db", migrations.READINGS)) as connection:
        kept = keeping.Keeping(connection)
        moments = range(NOW_MS - 40 * DAY_MS, NOW_MS, HOUR_MS)
        kept.add([StoredReading("larch", "soil-10", "soil", "Cel", 15.0, ms, ms, "good") for ms in moments])
        kept.pack_all()
        retention = Retention(Store(raw_days=30))
        for number in range(10):
            retention.step(connection, 10.0 * number, NOW_MS)
    assert main(["export", "--settings", str(settings_over(tmp_path)), "--output", str(tmp_path / "a.csv")]) == 0
    first = (tmp_path / "a.csv").read_text().splitlines()[1].split(",")[4]
    assert first == rfc3339(NOW_MS - 30 * DAY_MS)
    from_ = rfc3339(NOW_MS - 30 * DAY_MS - NOW_MS % HOUR_MS)
    assert f"\nreadings are kept from {from_} on (store.raw_days); before" in capsys.readouterr().err
    with ApiSite(tmp_path).client() as client:
        told = [
            client.get("/api/export", params={"start": rfc3339(NOW_MS - days * DAY_MS), "what": what})
            for days, what in ((40, "readings"), (35, "readings"), (29, "readings"), (40, "heater-runs"))
        ]
    assert [each.headers.get("Soilward-Kept-From") for each in told] == [from_, from_, None, None]


def test_parquet_holds_the_same_rows(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Read back by pyarrow: types and every value, over the border of a group as well."""
    monkeypatch.setattr(parquet_form, "GROUP_ROWS", PAGE_ROWS)
    file = tmp_path / "record.parquet"
    file.write_bytes(b"".join(export(folder, ALL, Form.PARQUET)))
    assert pq.ParquetFile(file).num_row_groups == 2
    table = pq.read_table(file)
    assert str(table.schema.field("taken").type) == "timestamp[ms, tz=UTC]"
    assert str(table.schema.field("value").type) == "double"
    lines = list(csv.reader(StringIO(text(folder))))
    for name, *values in zip(*lines, strict=True):
        found = table.column(name).to_pylist()
        if name in TIMES:
            assert [rfc3339(round(each.timestamp() * 1000)) for each in found] == values
        else:
            assert list(map(str, found)) == values


def test_parquet_without_its_package_says_what_to_install(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is an extra; CSV is there for all."""
    monkeypatch.setitem(sys.modules, "controller.exporting.parquet_form", None)
    with pytest.raises(ExportError, match=r"pip install 'soilward\[parquet\]'.* or ask for csv"):
        export(folder, ALL, Form.PARQUET)


def test_heater_runs_leave_too(folder: Path) -> None:
    """A run still open has no end; SenML holds readings alone and says so."""
    lines = list(csv.reader(StringIO(text(folder, Wanted(What.HEATER_RUNS, 0, NOW_MS)))))
    assert lines[1:] == [
        ["larch", "2026-03-01T03:57:02.000Z", "2026-03-01T04:02:02.000Z", "1234.5", "order"],
        ["larch", "2026-03-01T04:11:02.000Z", "", "", ""],
    ]
    with pytest.raises(ExportError, match="SenML holds readings only"):
        text(folder, Wanted(What.HEATER_RUNS, 0, NOW_MS), Form.SENML)


def test_the_runs_of_many_beds_leave_once_each(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A page at a time, by bed and start, two of one start too; of the span and the bed that are asked for."""
    monkeypatch.setattr("controller.exporting.rows.PAGE_ROWS", 2)
    with closing(open_writer(folder / "readings.db", migrations.READINGS)) as connection:
        for start_ms in (NOW_MS - 7, NOW_MS - 5, NOW_MS - 5, NOW_MS - 5, NOW_MS):
            runs.begin(connection, "elder", start_ms)
            runs.finish(connection, "elder", start_ms, f"the {NOW_MS - start_ms}th")

    def found(start_ms: int, enclosure: str | None = None) -> list[str]:
        lines = csv.reader(StringIO(text(folder, Wanted(What.HEATER_RUNS, start_ms, NOW_MS, enclosure))))
        return [f"{line[0]} {line[4]}" for line in lines][1:]

    elder = ["elder the 7th", "elder the 5th", "elder the 5th", "elder the 5th"]
    assert found(0) == [*elder, "larch order", "larch "]
    assert (found(0, "elder"), found(NOW_MS - 5, "elder")) == (elder, elder[1:])
    assert found(0, "larch") == ["larch order", "larch "]


def test_the_journal_leaves_in_the_order_of_its_chain(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A page at a time, whatever the clock said; of the span and the enclosure that are asked for."""
    monkeypatch.setattr("controller.exporting.rows.PAGE_ROWS", 2)
    with closing(open_writer(tmp_path / "journal.db", migrations.JOURNAL)) as book:
        for number, at_ms in enumerate((5, 9, 1, 5, 6), 1):
            enclosure = "larch" if number % 2 else None
            journal.append(
                book, [journal.Entry("answer", enclosure, "keeper", 'a "why"', {"n": number}, NOW_MS + at_ms)]
            )
        entries = journal.after(book, 0, 9)

    def found(wanted: Wanted) -> list[list[str]]:
        return list(csv.reader(StringIO(text(tmp_path, wanted))))[1:]

    whole = found(Wanted(What.JOURNAL, 0, NOW_MS + 99))
    assert whole == [
        [
            str(e.sequence),
            rfc3339(e.at_ms),
            "answer",
            e.enclosure or "",
            "keeper",
            'a "why"',
            body,
            e.previous_hash,
            e.hash,
        ]
        for e in entries
        for body in (f'{{"n":{e.sequence}}}',)
    ]
    assert [line[0] for line in found(Wanted(What.JOURNAL, NOW_MS + 5, NOW_MS + 9))] == ["1", "4", "5"]
    assert [line[0] for line in found(Wanted(What.JOURNAL, 0, NOW_MS + 99, "larch"))] == ["1", "3", "5"]


def test_the_span_is_half_open_and_an_enclosure_can_be_named(folder: Path) -> None:
    """From the start on, until before the end."""
    span = Wanted(What.READINGS, NOW_MS - 20_000, NOW_MS)
    assert text(folder, span).count("\r\n") == 3
    assert text(folder, Wanted(What.READINGS, 0, NOW_MS, "elder")) == HEAD + "\r\n"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (LINE.replace("18.06", "warm"), "line 2, value: 'warm' is refused"),
        (LINE.replace("18.06", "nan"), "line 2, value: 'nan' is refused"),
        (LINE.replace("18.06", "-274"), "line 2, value: '-274' is refused"),
        (LINE.replace("good", "fine"), "line 2, grade: 'fine' is refused"),
        (LINE.replace("2026-03-01T04:12:00.000Z", "noon"), "line 2, taken: 'noon' is refused"),
        (LINE.replace("larch", ""), "line 2, enclosure: '' is refused"),
        (LINE.replace("larch", " "), "line 2, enclosure: ' ' is refused"),
        (LINE.replace("soil-10", "\0"), r"line 2, probe: '\x00' is refused"),
        (LINE.replace("18.06", "1_8"), "line 2, value: '1_8' is refused"),
        (LINE + ",more", "line 2, count of columns: '9' is refused"),
        (LINE + "\r\n" + LINE.replace("Cel", "K"), "line 3, unit: 'K' is refused"),
    ],
)
def test_a_bad_line_is_named_and_nothing_is_kept(tmp_path: Path, line: str, said: str) -> None:
    """File, line, column, value and remedy; the good lines before it are not kept either."""
    file = tmp_path / "bad.csv"
    file.write_text(f"{HEAD}\r\n{line}\r\n", encoding="utf-8", newline="")
    with pytest.raises(RefusedImportError) as refused:
        take_in(tmp_path, file)
    assert said in str(refused.value)
    assert "Nothing was imported" in str(refused.value)
    assert text(tmp_path) == HEAD + "\r\n"


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (f"{HEAD},more\n{LINE},x\n".encode(), "line 1, header: 'enclosure,.*,more' is refused; write enclosure,probe"),
        (b"", "line 1, header: '' is refused"),
        (f"{HEAD}\n{LINE}\n".encode("utf-16"), "is no CSV in UTF-8"),
        (f'{HEAD}\n{LINE}\n"never closed'.encode(), "is no CSV in UTF-8"),
        (None, r"cannot be read \(No such file"),
    ],
    ids=["another header", "nothing", "UTF-16", "a quote that stays open", "no file"],
)
def test_a_file_that_is_no_export_is_named_and_nothing_is_kept(
    tmp_path: Path, content: bytes | None, said: str
) -> None:
    """Whatever somebody picked by mistake."""
    file = tmp_path / "picked.csv"
    if content is not None:
        file.write_bytes(content)
    with pytest.raises(RefusedImportError, match=rf"picked\.csv.*{said}"):
        take_in(tmp_path, file)
    assert text(tmp_path) == HEAD + "\r\n"


def test_a_file_that_a_spreadsheet_has_saved_is_taken_in(tmp_path: Path) -> None:
    """It begins with a byte order mark. A folder that nothing ran in yet is made, for its owner alone."""
    file, folder = tmp_path / "a.csv", tmp_path / "new" / "data"
    file.write_text(f"{HEAD}\r\n{LINE}\r\n", encoding="utf-8-sig", newline="")
    assert take_in(folder, file).new == 1
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def _peak_of_import(folder: Path, days: int) -> int:
    """Return how many bytes an import of some days takes at most, into a record whose one probe is long dead."""
    folder.mkdir()
    with closing(open_writer(folder / "readings.db", migrations.READINGS)) as connection:
        keeping.add(connection, [StoredReading("larch", "dead", "soil", "Cel", 1.0, 0, 0, "good")])
    with (folder / "a.csv").open("w", newline="", encoding="utf-8") as file:
        file.write(f"{HEAD}\r\n")
        for at_ms in range(NOW_MS, NOW_MS + days * 86_400_000, 60_000):
            file.write(f"larch,soil-10,soil,Cel,{rfc3339(at_ms)},{rfc3339(at_ms)},18.06,good\r\n")
    tracemalloc.start()
    assert take_in(folder, folder / "a.csv").new == days * 1440
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def test_a_long_file_takes_no_more_memory_than_a_short_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beside a probe that fell silent long ago, all of a year was held at the import's end: half a gigabyte."""
    monkeypatch.setattr(keeping, "PACK_ROWS", 2000)
    assert _peak_of_import(tmp_path / "long", 14) < 1.5 * _peak_of_import(tmp_path / "short", 3)


def test_nothing_is_taken_in_while_a_controller_holds_the_folder(folder: Path) -> None:
    """One writer per file."""
    (folder / "a.csv").write_text(f"{HEAD}\r\n{LINE}\r\n", encoding="utf-8", newline="")
    held = Lock(folder / "controller.db")
    with pytest.raises(StoreError, match="already writing"):
        take_in(folder, folder / "a.csv")
    held.release()
    assert take_in(folder, folder / "a.csv").new == 1


def test_a_reader_that_goes_away_ends_the_export_without_a_word(tmp_path: Path) -> None:
    """`soilward export | head -1`: one line, nothing on standard error."""
    keep(tmp_path, 60_000)
    command = f"{sys.executable} -m controller.cli export --settings {settings_over(tmp_path)} | head -1"
    ran = subprocess.run(["bash", "-c", command], capture_output=True, text=True, timeout=240, check=False)
    assert (ran.stdout.strip(), ran.stderr) == (HEAD, "")


def test_the_commands_say_how_many_and_leave_a_whole_file(
    folder: Path, tmp_path_factory: pytest.TempPathFactory, capsys: pytest.CaptureFixture[str]
) -> None:
    """Written beside it and put in its place; taken in elsewhere, once; what cannot be written is named."""
    file, elsewhere = folder / "out.csv", tmp_path_factory.mktemp("elsewhere")
    file.write_text("an older one")
    asked = ["export", "--settings", str(settings_over(folder)), "--output"]
    assert main([*asked, str(file)]) == 0
    assert file.read_bytes().decode() == text(folder)
    assert capsys.readouterr() == ("", f"{ROWS + 1} rows exported\n")
    for new in (ROWS + 1, 0):
        assert main(["import", "--settings", str(settings_over(elsewhere)), str(file)]) == 0
        assert f"{ROWS + 1} readings, {new} new, {ROWS + 1 - new} there already" in capsys.readouterr().err
    (folder / "taken").mkdir()
    assert main([*asked, str(folder / "taken")]) == 1
    assert "taken: Is a directory; free the disk or name another" in capsys.readouterr().err
    assert not list(folder.glob("*.part"))


def settings_over(folder: Path) -> Path:
    """Write settings of one enclosure whose record is in a folder."""
    file = folder / "soilward.toml"
    file.write_text(
        f'[site]\nname = "x"\ntime_zone = "UTC"\nlatitude = 46.0\nlongitude = 8.0\n[store]\nfolder = "{folder}"\n'
        '[[enclosure]]\nname = "larch"\n[enclosure.heater]\nkind = "soil-cable"\nrated_w = 300\ndepth_m = 0.12\n'
        'relay = "plain"\nplain_topic = "a/b"\nindependent_cut_off = "timer"\n'
        '[[enclosure.probe]]\nname = "soil-10"\nquantity = "soil"\ndepth_m = 0.1\n',
        encoding="utf-8",
    )
    return file


@pytest.fixture
def client(folder: Path) -> Iterator[TestClient]:
    """Give a client of the pages over the same record."""
    with ApiSite(folder).client() as client:
        yield client


def test_the_interface_streams_the_same_bytes(client: TestClient, folder: Path) -> None:
    """As the command gives them, with a file's name."""
    answer = client.get("/api/export", params={"start": "2026-01-01T00:00:00Z", "end": "2027-01-01T00:00:00Z"})
    assert answer.status_code == 200
    assert answer.text == text(folder)
    assert "soilward-readings.csv" in answer.headers["content-disposition"]


@pytest.mark.parametrize("goes_away", [False, True])
def test_an_export_lets_its_file_go_however_it_ends(goes_away: bool) -> None:
    """Else each download that somebody breaks off keeps the record open."""
    ended: list[bool] = []

    def read() -> Iterator[bytes]:
        try:
            yield from (b"a", b"b")
        finally:
            ended.append(True)

    async def receive() -> Message:
        return {"type": "http.disconnect"}

    async def send(message: Message) -> None:
        if goes_away and message["type"] == "http.response.body":
            raise OSError

    pieces = read()
    poured = Poured(pieces, "text/csv", "a.csv")
    with pytest.raises(ClientDisconnect) if goes_away else nullcontext():
        asyncio.run(poured({"type": "http", "asgi": {"spec_version": "2.4"}}, receive, send))
    assert ended == [True]


@pytest.mark.parametrize(
    ("asked", "status"),
    [({"format": "xml"}, 422), ({"enclosure": "oak"}, 404), ({"format": "senml", "what": "journal"}, 422)],
)
def test_what_cannot_be_exported_is_a_clear_refusal(client: TestClient, asked: dict[str, str], status: int) -> None:
    """Problem details, as everywhere."""
    answer = client.get("/api/export", params=asked)
    assert (answer.status_code, answer.headers["content-type"]) == (status, "application/problem+json")


def test_metrics_parse_and_tell_of_heat_and_trips(client: TestClient, folder: Path) -> None:
    """The text format is read by its own library; heater seconds come from the runs on record."""
    families = {each.name: each for each in text_string_to_metric_families(client.get("/metrics").text)}
    heat = [
        each.value for each in families["soilward_heater_seconds"].samples if each.labels.get("enclosure") == "larch"
    ]
    assert heat[0] >= 300.0


def _spoil(file: Path, first_page: int) -> None:
    """Overwrite all from a page on, as a failing card does."""
    with file.open("r+b") as raw:
        raw.seek(4096 * first_page)
        raw.write(b"\xa5" * (file.stat().st_size - 4096 * first_page))


@pytest.mark.parametrize(
    ("name", "asked"),
    [
        ("journal.db", ["verify"]),
        ("journal.db", ["export", "--what", "journal"]),
        ("readings.db", ["export"]),
        ("readings.db", ["import", "{file}"]),
    ],
)
def test_a_damaged_file_is_named_with_what_to_do(
    folder: Path, capsysbinary: pytest.CaptureFixture[bytes], name: str, asked: list[str]
) -> None:
    """Whoever looks after a bad night on a bad card gets no traceback; a half-written export is none."""
    with closing(open_writer(folder / "journal.db", migrations.JOURNAL)) as book:
        journal.append(book, [journal.Entry("answer", "larch", "keeper", "why " * 20, {}, n) for n in range(200)])
    (folder / "out.csv").write_text(f"{HEAD}\r\n{LINE}\r\n")
    _spoil(folder / name, 1)
    written = [each.format(file=folder / "out.csv") for each in asked]
    assert main([*written, "--settings", str(settings_over(folder))]) == 1
    assert f"{name} is damaged; " in capsysbinary.readouterr().err.decode()
    Lock(folder / "controller.db").release()


def test_a_disk_that_is_full_is_named_and_nothing_is_kept(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An import is one transaction; the message has the file and what to do."""

    def full(*_: object) -> int:
        raise sqlite3.OperationalError("database or disk is full")

    (folder / "out.csv").write_text(f"{HEAD}\r\n{LINE}\r\n")
    monkeypatch.setattr(keeping.Keeping, "pack_all", full)
    with pytest.raises(StoreError, match=r"readings\.db: database or disk is full; free the disk"):
        take_in(folder, folder / "out.csv")
