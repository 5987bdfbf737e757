"""Settings: every fault at once, each with file, key, value, bound and remedy."""

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from api.review.settings import load_review
from controller.errors import SettingsError
from controller.load_settings import check, load
from controller.plan import plan_for
from controller.probe import Quantity
from controller.setting_kinds import Part
from controller.starter import TEMPLATE
from tests.core_site import AIR, SOIL, raw_settings, settings_of

FILE = Path("soilward.toml")


def faults_of(raw: dict[str, Any]) -> list[str]:
    """Return the faults of settings that must be refused."""
    with pytest.raises(SettingsError) as refused:
        check(raw, FILE)
    assert all(each.startswith("soilward.toml: ") for each in refused.value.faults)
    assert str(refused.value) == "\n".join(refused.value.faults)
    return refused.value.faults


def changed(path: str, value: object) -> dict[str, Any]:
    """Return sound settings with one key, such as "enclosure.0.heater.rated_w", set, or left out where `...`."""
    raw = raw_settings()
    *way, last = path.split(".")
    part: Any = raw
    for step in way:
        part = part[int(step)] if isinstance(part, list) else part.setdefault(step, {})
    if value is ...:
        del part[last]
    else:
        part[last] = value
    return raw


def test_sound_settings_are_taken() -> None:
    """What the tests build on has no fault, and defaults fill the rest."""
    settings = settings_of()
    assert settings.broker.kind == "embedded"
    assert settings.web.host == "127.0.0.1"
    assert settings.named("larch") is settings.enclosure[0]
    assert settings.named("oak") is None
    assert settings.enclosure[0].named("soil") is settings.enclosure[0].of(Quantity.SOIL)[0]
    assert settings.enclosure[0].named("moon") is None


def test_the_template_of_init_is_sound(tmp_path: Path) -> None:
    """What a person starts from passes the check, and its plan asks for what it says."""
    path = tmp_path / "soilward.toml"
    path.write_text(TEMPLATE, encoding="utf-8")
    settings = load(path)
    assert settings.store.folder == tmp_path / "soilward-data"
    assert settings.enclosure[0].heater.key_file == tmp_path / "keys" / "tunnel.key"
    plan = plan_for(settings, settings.enclosure[0])
    assert [value for _, value, _ in plan.schedule.entries] == [12.0, 16.0, "off"]


@pytest.mark.parametrize("commented", ["soil_trip = 38.0", 'pointer = "/temperature"', 'protocol = "5"'])
def test_the_templates_examples_are_sound_too(commented: str) -> None:
    """Taking the comment marks off its optional parts leaves settings that pass."""
    assert commented in TEMPLATE
    lines = []
    for line in TEMPLATE.splitlines():
        bare = line.removeprefix("# ")
        lines.append(
            bare if line.startswith("# ") and (bare.startswith("[[") or " = " in bare or bare[:1] == "[") else line
        )
    check(tomllib.loads("\n".join(lines)), FILE)


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        ("enclosure.0.limits.soil_trip", 60.0, "limits.soil_trip: 60.0 is above the highest allowed 40"),
        ("enclosure.0.limits.air_fire", "200 F", "is above the highest allowed 57"),
        ("enclosure.0.limits.soil_trip", 4.0, "4.0 is below the lowest allowed 5"),
        ("enclosure.0.heater.lease_s", 16.0, "heater.lease_s: 16.0 is above the highest allowed 15"),
        ("enclosure.0.heater.rated_w", 0.0, "heater.rated_w: 0.0 must be more than 0"),
        ("enclosure.0.heater.rated_w", "450", "heater.rated_w: '450'"),
        ("enclosure.0.heater.rated_w", float("nan"), "heater.rated_w: nan"),
        ("enclosure.0.heater.rated_w", True, "heater.rated_w: True"),
        ("enclosure.0.heater.rated_w", ..., "enclosure[0].heater.rated_w: is missing; add it"),
        ("enclosure.0.heater.rated_watts", 450.0, "rated_watts: no such key; check the spelling or remove it"),
        ("enclosure.0.heater.kind", "kettle", "heater.kind: 'kettle'"),
        ("enclosure.0.control.least_on_s", 29.0, "29.0 is below the lowest allowed 30"),
        ("enclosure.0.control.window_s", 60.0, "60.0 is below the lowest allowed 120"),
        ("enclosure.0.control.floor", "warm", "control.floor: 'warm': write a number in Cel, or text with its unit"),
        ("enclosure.0.name", "North Bed", "enclosure[0].name: 'North Bed'"),
        ("enclosure.0.probe.0.period_s", 61.0, "probe[0].period_s: 61.0 is above the highest allowed 60"),
        ("enclosure.0.probe.0.quantity", "vibes", "probe[0].quantity: 'vibes'"),
        ("enclosure.0.probe", [], "enclosure[0].probe"),
        ("site.time_zone", "Europe/Tarn", "site.time_zone: 'Europe/Tarn': is no IANA time zone; write one such as"),
        ("site.latitude", 91.0, "site.latitude: 91.0 is above the highest allowed 90"),
        ("web.port", 0, "web.port: 0 is below the lowest allowed 1"),
        ("garden", {}, "garden: no such key"),
        ("enclosure", [], "enclosure"),
        ("enclosure", {"name": "larch"}, "is not written as a table; begin it with [[enclosure]]"),
        (
            "enclosure.0.heater",
            450.0,
            "enclosure[0].heater: 450.0 is not written as a table; begin it with [enclosure.",
        ),
        ("enclosure.0.probe", ["soil"], "probe[0]: 'soil' is not written as a table; begin it with [[enclosure."),
        ("enclosure.0.probe.0.topic", "soil/#", "topic: 'soil/#' is no single topic; write one without # and +"),
        ("enclosure.0.probe.0.pointer", "soil", "pointer: 'soil' is no pointer; begin it with a slash"),
        ("broker.host", "192.168.1..20", "broker.host: '192.168.1..20': is no host; write a name or an address"),
        ("broker.host", "", "broker.host: '': must have at least 1 character"),
        ("broker.root", "our place", "broker.root: 'our place' is no root of topics; write letters"),
        ("site.name", "m" * 61, "mmm...: must have at most 60 characters"),
        ("store.folder", "~nobody-has-this-name/x", "begins with a home that nobody has here; write the whole path"),
        ("store.folder", "a\0b", "store.folder: 'a\\x00b': is no path; write one in quotation marks"),
        ("store.folder", 7, "store.folder: 7: is no path; write one in quotation marks"),
        pytest.param("enclosure.0.control.floor", 10**400, "control.floor: 1000", id="endless number"),
        ("enclosure.0.schedule", [{"from": "02-01", "set_point": "Off"}], 'such as "65 F", or "off"'),
        ("enclosure.0.schedule", [{"from": "02-01", "set_point": "12,0 C"}], "[0].set_point: '12,0 C': write a number"),
        (
            "enclosure.0.schedule",
            [{"from": 15, "set_point": 9.0}],
            "schedule[0].from: 15: is no date; write 2026-02-15",
        ),
        (
            "enclosure.0.schedule",
            [{"from": "2026-02-15", "set_point": 9.0}],
            "schedule[0].from: '2026-02-15' is no date; write 2026-02-15, or \"02-15\" for every year (quoted",
        ),
    ],
)
def test_a_fault_of_shape_names_key_value_and_bound(path: str, value: object, words: str) -> None:
    """Each is one line, and sound settings with that one fault give that one line."""
    faults = faults_of(changed(path, value))
    assert len(faults) == 1
    assert words in faults[0]


def test_the_mark_with_which_some_editors_begin_a_file_is_no_fault(tmp_path: Path) -> None:
    """A file saved as "UTF-8 with BOM" is read as any other."""
    path = tmp_path / "soilward.toml"
    path.write_text(TEMPLATE.replace("\n", "\r\n"), encoding="utf-8-sig")
    assert load(path).site.name == "My garden"


@pytest.mark.parametrize("key", ["soil_trip", "air_no_heat", "air_fire", "heater_surface", "highest_set_point"])
def test_a_loosened_limit_says_that_none_may_be(key: str) -> None:
    """C08: the remedy is named with the limit."""
    (fault,) = faults_of(raw_settings(limits={key: 99.0}))
    assert f"enclosure[0].limits.{key}: 99.0" in fault
    assert "can be tightened here, never loosened" in fault


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ({"probe": [AIR]}, "enclosure 'larch': no soil probe; heat needs at least one probe with quantity = \"soil\""),
        ({"probe": [SOIL, SOIL]}, "enclosure 'larch': probe 'soil' is there 2 times; names must differ"),
        ({"probe": [{"name": "s", "quantity": "soil"}]}, "probe 's': a soil probe needs depth_m"),
        ({"probe": [SOIL, {"name": "a", "quantity": "air"}]}, "probe 'a': an air probe needs height_m"),
        ({"probe": [{**SOIL, "form": "json"}]}, 'form = "json" needs pointer, such as "/sensor/temperature"'),
        ({"probe": [SOIL, {"name": "h", "quantity": "humidity", "unit": "F"}]}, "unit 'F' is for temperatures only"),
        ({"probe": [{**SOIL, "unit": "R"}]}, "unit 'R' is unknown; use Cel, F, K"),
        ({"heater": {"kind": "soil-cable", "rated_w": 450.0}}, "heater: a soil cable needs depth_m"),
        ({"heater": {"kind": "air-heater", "rated_w": 300.0}, "probe": [SOIL]}, "an air heater needs at least one air"),
        (
            {
                "heater": {"kind": "air-heater", "rated_w": 1500.0},
                "shape": {"length_m": 6.0, "width_m": 0.9, "height_m": 0.45},
            },
            "1500 W in 1.9 m3 of air could rise 39 K/min, above the hard limit 25 K/min; fit a smaller heater",
        ),
        (
            {
                "heater": {"kind": "air-heater", "rated_w": 900.0},
                "shape": {"length_m": 6.0, "width_m": 0.9, "height_m": 0.45},
            },
            "900 W would lift this air by 8.4 K in its first minute, and air that rises 8.33 K/min is taken for fire",
        ),
        (
            {"heater": {"kind": "soil-cable", "rated_w": 450.0, "depth_m": 0.1, "relay": "plain", "plain_topic": "x"}},
            'relay = "plain" has no dead-man of its own; name the independent timer or thermostat',
        ),
        (
            {
                "heater": {
                    "kind": "soil-cable", "rated_w": 450.0, "depth_m": 0.1, "relay": "plain",
                    "independent_cut_off": "thermostat",
                }
            },
            'relay = "plain" needs plain_topic',
        ),
        ({"schedule": [{"from": "13-01", "set_point": 12.0}]}, "schedule[0].from: '13-01' is no date; write 2026-"),
        ({"schedule": [{"from": "02-01", "set_point": -6.0}]}, "set_point: -6.0 Cel is outside -5.0 to 32.0"),
        (
            {"schedule": [{"from": "02-01", "set_point": 65.0}]},
            'schedule[0].set_point: 65.0 Cel is outside -5.0 to 32.0; did you mean 65 F? write "65 F"',
        ),
    ],
)  # fmt: skip
def test_a_fault_of_sense_names_the_thing_and_the_remedy(parts: dict[str, Any], words: str) -> None:
    """Sound shape, no sense: one line each."""
    probes = parts.pop("probe", None)
    raw = raw_settings(*(probes or ()), **parts)
    faults = faults_of(raw)
    assert len(faults) == 1
    assert words in faults[0]
    assert "enclosure 'larch'" in faults[0]


@pytest.mark.parametrize(
    ("set_point", "hints"), [(39.9, False), (40.0, True), (90.0, True), (90.1, False), (33.0, False)]
)
def test_the_hint_of_fahrenheit_is_given_where_it_helps(set_point: float, hints: bool) -> None:
    """O01: 40 to 90 is what people write in Fahrenheit for soil; outside it the hint would mislead."""
    (fault,) = faults_of(raw_settings(schedule=[{"from": "02-01", "set_point": set_point}]))
    assert ("did you mean" in fault) is hints


def test_a_schedule_in_fahrenheit_is_understood() -> None:
    """The remedy the hint names works."""
    settings = settings_of(schedule=[{"from": "02-01", "set_point": "65 F"}])
    assert settings.enclosure[0].schedule[0].set_point == pytest.approx(18.333, abs=1e-3)


def test_two_enclosures_of_one_name_are_refused() -> None:
    """Names are topics."""
    raw = raw_settings()
    raw["enclosure"] *= 2
    assert faults_of(raw) == ["soilward.toml: enclosure 'larch': is there 2 times; names must differ"]


def two_enclosures(**heater: object) -> dict[str, Any]:
    """Return sound settings of two enclosures."""
    raw = raw_settings()
    (larch,) = raw["enclosure"]
    oak = {**larch, "name": "oak"}
    raw["enclosure"] = [{**each, "heater": {**each["heater"], **heater}} for each in (larch, oak)]
    return raw


def test_an_account_that_only_reads_is_refused_where_the_broker_knows_one_user() -> None:
    """The embedded broker would close every connection of that account; one of your own knows more."""
    raw = changed("broker.read_username", "reader")
    (fault,) = faults_of(raw)
    assert "broker.read_username: 'reader' is one user too many" in fault
    assert "remove read_username, or" in fault
    raw["broker"]["kind"] = "external"
    assert check(raw, FILE).broker.read_username == "reader"


def test_two_nodes_with_one_key_are_refused(tmp_path: Path) -> None:
    """A command to one would be obeyed by the other; a copy of the key in another file is the same key."""
    raw = two_enclosures()
    for entry, text in zip(raw["enclosure"], ("secret", "secret\n"), strict=True):
        entry["heater"]["key_file"] = str(tmp_path / entry["name"])
        (tmp_path / entry["name"]).write_text(text)
    (fault,) = faults_of(raw)
    assert "'larch'" in fault
    assert "'oak'" in fault
    assert "the same node key" in fault
    (tmp_path / "oak").write_text("other")
    assert len(check(raw, FILE).enclosure) == 2


@pytest.mark.parametrize(
    ("ours", "theirs", "quantity", "is_sound"),
    [
        ({}, {}, "soil", False),
        ({}, {}, "outside", True),
        ({"form": "json", "pointer": "/a"}, {"form": "json", "pointer": "/a"}, "soil", False),
        ({"form": "json", "pointer": "/a"}, {"form": "json", "pointer": "/b"}, "soil", True),
    ],
)
def test_two_enclosures_with_one_topic_are_refused(
    ours: dict[str, str], theirs: dict[str, str], quantity: str, is_sound: bool
) -> None:
    """Both would heat by one place; weather, and a gateway's separate records, are sound."""
    raw = two_enclosures()
    for entry, how in zip(raw["enclosure"], (ours, theirs), strict=True):
        probe = {"name": "more", "quantity": quantity, "depth_m": 0.2, "topic": "gateway/up", **how}
        entry["probe"] = [*entry["probe"], probe]
    if is_sound:
        assert len(check(raw, FILE).enclosure) == 2
    else:
        (fault,) = faults_of(raw)
        assert all(words in fault for words in ("'larch'", "'oak'", "'gateway/up'"))


GATEWAY = {"topic": "gateway/up"}
PLAIN = {"kind": "soil-cable", "rated_w": 450.0, "depth_m": 0.1, "relay": "plain", "independent_cut_off": "a timer"}


@pytest.mark.parametrize(
    ("soil", "air", "heater", "is_sound"),
    [
        (GATEWAY, GATEWAY, {}, False),
        (GATEWAY, {}, {"plain_topic": "gateway/up"}, False),
        ({}, {"topic": "soilward/larch/probe/soil"}, {}, False),
        ({**GATEWAY, "form": "senml"}, {**GATEWAY, "form": "senml"}, {}, True),
        ({**GATEWAY, "form": "json", "pointer": "/a"}, {**GATEWAY, "form": "json", "pointer": "/b"}, {}, True),
        ({**GATEWAY, "form": "json", "pointer": "/a"}, {**GATEWAY, "form": "json", "pointer": "/a"}, {}, False),
    ],
)
def test_two_of_one_enclosure_on_one_topic_are_refused(
    soil: dict[str, str], air: dict[str, str], heater: dict[str, str], is_sound: bool
) -> None:
    """P16: air that says what the soil says hides a fire; only records that can be told apart are sound."""
    raw = raw_settings({**SOIL, **soil}, {**AIR, **air}, heater={**PLAIN, "plain_topic": "plug/set", **heater})
    if is_sound:
        assert check(raw, FILE)
    else:
        (fault,) = faults_of(raw)
        assert "is there 2 times" in fault


@pytest.mark.parametrize(
    ("heater", "words"),
    [
        ({"plain_on": "ON", "plain_off": "ON"}, "plain_off 'ON' cannot open what plain_on 'ON' closes"),
        ({"plain_off": ""}, "plain_off '' cannot open"),
        ({"plain_topic": "plug/+/set"}, "plain_topic"),
    ],
)
def test_a_plain_relay_that_could_not_be_opened_is_refused(heater: dict[str, str], words: str) -> None:
    """One word for both would hold it closed; a topic with a wildcard ends the controller at its first order."""
    (fault,) = faults_of(raw_settings(heater={**PLAIN, "plain_topic": "plug/set", **heater}))
    assert words in fault


@pytest.mark.parametrize(
    ("quantity", "unit", "is_sound"),
    [
        ("soil", "%RH", False),
        ("soil", "C", True),
        ("humidity", "Cel", False),
        ("humidity", "%RH", True),
        ("light", "C", False),
    ],
)
def test_a_unit_that_its_quantity_is_never_in_is_refused(quantity: str, unit: str, is_sound: bool) -> None:
    """P18: each of its messages would be refused, and a site without soil is never heated."""
    raw = raw_settings(SOIL, AIR, {"name": "more", "quantity": quantity, "depth_m": 0.2, "unit": unit})
    if is_sound:
        assert check(raw, FILE)
    else:
        (fault,) = faults_of(raw)
        assert f"unit {unit!r} is none of {quantity}; write" in fault


@pytest.mark.parametrize(("least_on_s", "is_sound"), [(120.0, True), (121.0, False)])
def test_a_shortest_closing_longer_than_its_window_is_refused(least_on_s: float, is_sound: bool) -> None:
    """Heat would never come, or in full alone."""
    raw = raw_settings(control={"window_s": 120.0, "least_on_s": least_on_s})
    assert check(raw, FILE) if is_sound else "longer than the window of 120 s" in faults_of(raw)[0]


def test_two_plain_relays_on_one_topic_are_refused() -> None:
    """Each would switch the other's heater."""
    raw = two_enclosures(relay="plain", plain_topic="plug/set", independent_cut_off="a timer")
    (fault,) = faults_of(raw)
    assert "'plug/set'" in fault


def test_all_faults_come_at_once() -> None:
    """Shape of one enclosure and sense of another in one run, nothing said twice."""
    raw = raw_settings(limits={"soil_trip": 60.0}, colour="green")
    other = raw_settings({"name": "a", "quantity": "air"})["enclosure"][0] | {"name": "oak"}
    raw["enclosure"].append(other)
    raw["site"]["latitude"] = 99.0
    faults = faults_of(raw)
    assert len(faults) == len(set(faults)) == 5
    for words in ("site.latitude", "soil_trip", "colour", "'oak': no soil probe", "'oak': probe 'a': an air probe"):
        assert sum(words in each for each in faults) == 1


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ({"limits": {"soil_trip": 60.0}, "probe": [AIR]}, {"soil_trip: 60.0", "no soil probe"}),
        ({"colour": "green", "probe": [{"name": "s", "quantity": "soil"}]}, {"colour: no such key", "needs depth_m"}),
        ({"probe": [SOIL, {**AIR, "unit": "R"}, {"name": "x"}]}, {"[2].quantity: is missing", "unit 'R' is unknown"}),
        (
            {
                "heater": {"kind": "air-heater", "rated_w": 300.0, "volts": 1.0},
                "schedule": [{"from": "13-01", "set_point": 1.0}],
            },
            {"volts: 1.0 is below", "'13-01' is no date"},
        ),
        ({"name": "Big Bed", "probe": [AIR]}, {"'Big Bed' is no name", "without a good name: no soil probe"}),
    ],
)  # fmt: skip
def test_what_was_read_is_judged_though_the_rest_could_not_be(parts: dict[str, Any], words: set[str]) -> None:
    """One enclosure, a fault of shape in it and one of sense: both in one run."""
    faults = faults_of({**raw_settings(), "enclosure": [{**raw_settings()["enclosure"][0], **parts}]})
    assert len(faults) == 2
    assert all(any(each in fault for fault in faults) for each in words), faults


@pytest.mark.parametrize(
    "parts",
    [
        {"heater": {"kind": "soil-cable", "rated_w": 450.0, "depth_m": "deep"}},
        {"probe": [{**SOIL, "quantity": "sol"}, AIR]},
        {"probe": [{**SOIL, "period_s": 0.0}]},
        {"heater": {"kind": "air-heater", "rated_w": 300.0}, "probe": [SOIL, {**AIR, "height_m": "low"}]},
        {"heater": {"kind": "air-heater", "rated_w": 3000.0}, "shape": {"height_m": 0.0}},
        {"limits": {"highest_set_point": "warm"}, "schedule": [{"from": "02-01", "set_point": 33.0}]},
        {"probe": "soil"},
    ],
)
def test_nothing_is_said_against_what_could_not_be_read(parts: dict[str, Any]) -> None:
    """A cable whose depth is no number has one all the same: the fault of shape is the only one."""
    raw = raw_settings()
    raw["enclosure"][0].update(parts)
    assert len(faults_of(raw)) == 1


def test_what_two_enclosures_share_is_told_beside_all_other_faults(tmp_path: Path) -> None:
    """One node key, one topic, and in the same run a latitude, a limit and a missing depth."""
    raw = two_enclosures(key_file=str(tmp_path / "key"))
    (tmp_path / "key").write_text("secret")
    for entry in raw["enclosure"]:
        entry["probe"] = [*entry["probe"], {"name": "more", "quantity": "soil", "topic": "gateway/up"}]
    raw["enclosure"][0]["limits"] = {"soil_trip": 60.0}
    raw["site"]["latitude"] = 99.0
    faults = faults_of(raw)
    for words in ("latitude", "soil_trip", "'larch': probe 'more'", "'oak': probe 'more'", "node key", "'gateway/up'"):
        assert sum(words in each for each in faults) == 1, words
    assert len(faults) == 6


def paths_in(part: object) -> Iterator[tuple[str, Path]]:
    """Yield every path that settings hold, with its key."""
    if isinstance(part, tuple):
        for each in part:
            yield from paths_in(each)
    elif isinstance(part, Part):
        for name, value in part:
            if isinstance(value, Path):
                yield name, value
            yield from paths_in(value)


def test_every_path_counts_from_the_folder_of_its_file(tmp_path: Path) -> None:
    """Typed beside the file it is found, and by a service that runs in another folder it would not be."""
    keys = {
        "broker": ("password_file", "read_password_file", "ca_file"),
        "store": ("folder", "journal_key_file"),
        "remote": ("token_file",),
        "season": ("station_file",),
    }
    raw = changed("enclosure.0.heater.key_file", "key_file")
    raw["remote"] = {"kind": "influxdb-2", "url": "https://metrics.example", "site": "hollow"}
    for part, names in keys.items():
        raw[part] = {**raw.get(part, {}), **{name: name for name in names}}
    found = dict(paths_in(check(raw, tmp_path / "soilward.toml")))
    assert found == {name: tmp_path / name for name in (*sum(keys.values(), ()), "key_file")}
    there = 'kind = "influxdb-2"\nurl = "https://metrics.example"\ntoken_file = "token"'
    (tmp_path / "review.toml").write_text(f'[remote]\n{there}\n[store]\nfolder = "people"\n')
    review = dict(paths_in(load_review(tmp_path / "review.toml")))
    assert review == {"token_file": tmp_path / "token", "folder": tmp_path / "people"}


def test_a_missing_file_says_what_writes_one(tmp_path: Path) -> None:
    """The remedy is a command."""
    with pytest.raises(SettingsError, match="`soilward init` writes one"):
        load(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        pytest.param(b"[site\n", "", id="unclosed"),
        pytest.param(b"\xff\xfe", "line 1 is not UTF-8; save the file as UTF-8", id="UTF-16"),
        pytest.param("[site]\nname = 'Gärten'".encode("latin-1"), "line 2 is not UTF-8; save the", id="Latin-1"),
        pytest.param(b"a = " + b"[" * 2000, "", id="nested"),
        pytest.param(b"port = " + b"9" * 5000, "", id="thousands of digits"),
    ],
)
def test_what_is_no_toml_is_said_so(content: bytes, words: str, tmp_path: Path) -> None:
    """With the parser's own words, or what an editor is to be told."""
    path = tmp_path / "soilward.toml"
    path.write_bytes(content)
    with pytest.raises(SettingsError, match=f"is no TOML: {words}"):
        load(path)


def test_stale_follows_the_period_up_to_its_cap() -> None:
    """Three periods and 5 s, never more than 120 s."""
    for period_s, stale_s in ((1.0, 8.0), (10.0, 35.0), (38.0, 119.0), (60.0, 120.0)):
        probe = settings_of({**SOIL, "period_s": period_s}, AIR).enclosure[0].probe[0]
        assert probe.stale_after_s == stale_s
