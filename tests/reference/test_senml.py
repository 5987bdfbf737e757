"""SenML packs resolve as RFC 8428 says."""

import json
import math
from typing import Any

import pytest

from controller.probe import Quantity
from controller.wire.payload import Decoded, Form, Record, Refusal, Refused, decode, encode_senml, resolve
from controller.wire.refused import PayloadError

NOW_MS = 1_800_000_000_000

PACK_1 = [
    {"bn": "urn:dev:ow:10e2073a0108006:", "bt": 1.276020076001e9, "bu": "A", "bver": 5, "n": "voltage", "u": "V",
     "v": 120.1},
    {"n": "current", "t": -5, "v": 1.2},
    {"n": "current", "t": -4, "v": 1.3},
    {"n": "current", "t": -3, "v": 1.4},
    {"n": "current", "t": -2, "v": 1.5},
    {"n": "current", "t": -1, "v": 1.6},
    {"n": "current", "v": 1.7},
]  # fmt: skip

PACK_2: list[dict[str, Any]] = [
    {"bn": "urn:dev:ow:10e2073a01080063", "bt": 1.320067464e9, "bu": "%RH", "v": 20},
    {"u": "lon", "v": 24.30621},
    {"u": "lat", "v": 60.07965},
    {"t": 60, "v": 20.3},
    {"u": "lon", "t": 60, "v": 24.30622},
    {"u": "lat", "t": 60, "v": 60.07965},
    {"t": 120, "v": 20.7},
    {"u": "lon", "t": 120, "v": 24.30623},
    {"u": "lat", "t": 120, "v": 60.07966},
    {"u": "%EL", "t": 150, "v": 98},
    {"t": 180, "v": 21.2},
]

PACK_3 = [
    {"bn": "2001:db8::2/", "bt": 1.320078429e9, "n": "temperature", "u": "Cel", "v": 25.2},
    {"n": "humidity", "u": "%RH", "v": 30},
    {"bn": "2001:db8::1/", "n": "temperature", "u": "Cel", "v": 12.3},
    {"n": "humidity", "u": "%RH", "v": 67},
]


def one(**labels: object) -> Record:
    """Resolve a pack of one record."""
    (record,) = resolve([labels], NOW_MS)
    return record


def reason(pack: object) -> Refused:
    """Return why `resolve` refuses a pack."""
    with pytest.raises(PayloadError) as caught:
        resolve(pack, NOW_MS)
    return caught.value.reason


def test_the_first_current_of_pack_1_is_five_seconds_before_the_base_time() -> None:
    """Base name, time and unit are added in; the version is carried.

    Source: RFC 8428, sections 5.1.2 and 4.6 (multiple data points).
    """
    first = resolve(PACK_1, NOW_MS)[0]
    assert first.name == "urn:dev:ow:10e2073a0108006:current"
    assert first.time_s == pytest.approx(1276020071.001, abs=1e-3)
    assert (first.value, first.unit, first.version) == (1.2, "A", 5)


def test_pack_1_comes_out_in_chronological_order() -> None:
    """The voltage, first in the pack, sorts among the last; its own unit beats the base unit.

    Source: RFC 8428, section 4.6.
    """
    records = resolve(PACK_1, NOW_MS)
    assert [record.value for record in records] == [1.2, 1.3, 1.4, 1.5, 1.6, 120.1, 1.7]
    assert records[5].unit == "V"


def test_the_humidities_of_pack_2_stand_at_their_seconds() -> None:
    """Records without a name take the base name alone; units mix in one pack.

    Source: RFC 8428, sections 5.1.3 and 5.1.4.
    """
    records = resolve(PACK_2, NOW_MS)
    humid = [(record.time_s, record.value) for record in records if record.unit == "%RH"]
    assert humid == [(1320067464, 20), (1320067524, 20.3), (1320067584, 20.7), (1320067644, 21.2)]
    assert [(r.time_s, r.value) for r in records if r.unit == "%EL"] == [(1320067614, 98)]
    assert {record.name for record in records} == {"urn:dev:ow:10e2073a01080063"}


def test_the_base_time_of_pack_3_outlives_a_new_base_name() -> None:
    """A new base name replaces the old one; the base time holds on.

    Source: RFC 8428, section 5.1.6.
    """
    records = resolve(PACK_3, NOW_MS)
    assert (records[2].name, records[2].value, records[2].unit) == ("2001:db8::1/temperature", 12.3, "Cel")
    assert (records[3].name, records[3].value, records[3].unit) == ("2001:db8::1/humidity", 67, "%RH")
    assert {record.time_s for record in records} == {1320078429}


@pytest.mark.parametrize(
    ("time_s", "expected_s"),
    [(268435455, 1_800_000_000 + 268435455), (268435456, 268435456), (-60, 1_799_999_940), (0, 1_800_000_000)],
)
def test_a_time_below_two_to_the_28_is_relative_to_now(time_s: int, expected_s: int) -> None:
    """268435455 still counts from now, 268435456 from 1970.

    Source: RFC 8428, section 4.5.3.
    """
    assert one(n="soil", t=time_s, v=1).time_s == expected_s


def test_the_sum_of_base_time_and_time_decides_what_is_relative() -> None:
    """bt and t are added before the comparison.

    Source: RFC 8428, section 4.5.3.
    """
    assert one(n="soil", bt=268435450, t=6, v=1).time_s == 268435456


def test_base_value_and_base_sum_are_added() -> None:
    """value = bv + v, sum = bs + s.

    Source: RFC 8428, sections 4.1 and 4.5.4.
    """
    record = one(n="heater", bv=20, v=1.5, bs=100, s=7)
    assert (record.value, record.total, record.explicit) == (21.5, 107, True)


def test_a_missing_value_counts_as_zero_but_is_marked() -> None:
    """Only bv: the value is bv, and the record says that no v was there.

    Source: RFC 8428, section 4.5.4.
    """
    record = one(n="soil", bv=20)
    assert (record.value, record.explicit) == (20, False)


def test_a_sum_alone_is_a_record_without_a_value() -> None:
    """A Sum lets the value be absent.

    Source: RFC 8428, section 4.2.
    """
    record = one(n="heater", u="W", s=5)
    assert (record.value, record.total) == (None, 5)


def test_text_flag_data_and_update_time_are_carried() -> None:
    """vs, vb, vd and ut resolve to themselves, untouched by a base value.

    Source: RFC 8428, section 4.2.
    """
    pack = [{"bn": "n1:", "bv": 3, "n": "a", "vs": "x", "ut": 5}, {"n": "b", "vb": False}, {"n": "c", "vd": "aGkgCg"}]
    text, flag, data = resolve(pack, NOW_MS)
    assert (text.text, text.update_s, text.value) == ("x", 5, None)
    assert (flag.flag, flag.value) == (False, None)
    assert (data.data, data.value) == ("aGkgCg", None)


def test_an_unknown_label_is_ignored_unless_it_must_be_understood() -> None:
    """A label ending in "_" is an error, any other is passed over.

    Source: RFC 8428, section 4.4.
    """
    assert one(n="soil", v=1, extra="x").value == 1
    assert reason([{"n": "soil", "v": 1, "extra_": "x"}]) is Refused.BAD_SENML


@pytest.mark.parametrize(("version", "expected"), [(11, Refused.VERSION), (1e300, Refused.VERSION),
                                                   (0, Refused.BAD_SENML), (9.5, Refused.BAD_SENML)])  # fmt: skip
def test_a_newer_or_senseless_version_is_not_used(version: float, expected: Refused) -> None:
    """bver above 10 must not be used; it is a positive integer.

    Source: RFC 8428, section 4.4.
    """
    assert reason([{"bver": version, "n": "soil", "v": 1}]) is expected


def test_one_pack_has_one_version() -> None:
    """10 by default, so a later 5 contradicts it, and a later 10 does not.

    Source: RFC 8428, section 4.4.
    """
    assert len(resolve([{"n": "a", "v": 1}, {"bver": 10, "n": "b", "v": 1}], NOW_MS)) == 2
    assert reason([{"n": "a", "v": 1}, {"bver": 5, "n": "b", "v": 1}]) is Refused.BAD_SENML


@pytest.mark.parametrize("name", ["", "-soil", ":soil", "so il", "soil\n", "s\u00f6il", "soil#", "a\ud800"])
def test_a_name_with_forbidden_characters_is_refused(name: str) -> None:
    """Letters, digits and - : . / _ only, starting with a letter or digit.

    Source: RFC 8428, section 4.5.1.
    """
    assert reason([{"n": name, "v": 1}]) is Refused.BAD_SENML


@pytest.mark.parametrize("pack", [{}, [], None, "x", [1], [[]], [{"n": 1, "v": 1}], [{"n": "a", "v": 1, "vs": "x"}],
                                  [{"n": "a", "vb": 1}], [{"n": "a", "vs": 1}], [{"n": "a", "v": 1, "t": -1e15}],
                                  [{"n": "a", "v": 1, "t": 1e300}], [{"n": "a", "v": 1, "u": None}]])  # fmt: skip
def test_what_is_no_pack_is_refused(pack: object) -> None:
    """Wrong types, two values in one record and times outside the calendar.

    Source: RFC 8428, sections 4.2 and 5; the calendar bound is common practice.
    """
    assert reason(pack) is Refused.BAD_SENML


def test_a_record_with_neither_value_nor_sum_is_refused() -> None:
    """Exactly one value field is required unless there is a Sum.

    Source: RFC 8428, section 4.2.
    """
    assert reason([{"n": "soil", "u": "Cel"}]) is Refused.NO_VALUE


def test_base_plus_value_beyond_floats_is_refused() -> None:
    """Two finite numbers may add up to infinity, and an integer may be too large for a float.

    Source: common practice.
    """
    assert reason([{"n": "soil", "bv": 1.7e308, "v": 1.7e308}]) is Refused.NOT_FINITE
    assert reason([{"n": "soil", "v": 10**400}]) is Refused.NOT_FINITE
    assert reason([{"n": "soil", "v": math.nan}]) is Refused.NOT_FINITE


def test_the_humidities_of_pack_2_decode_as_a_backlog() -> None:
    """Records of one name with mixed units: the foreign unit refuses the pack; alone, the humidities pass.

    Source: RFC 8428, section 5.1.3; refusing the mix is common practice.
    """
    probe = "10e2073a01080063"
    mixed = decode(json.dumps(PACK_2).encode(), Form.SENML, Quantity.HUMIDITY, None, None, probe, NOW_MS)
    assert isinstance(mixed, Refusal)
    assert mixed.reason is Refused.WRONG_UNIT
    humid = [record for record in PACK_2 if "u" not in record]
    decoded = decode(json.dumps(humid).encode(), Form.SENML, Quantity.HUMIDITY, None, None, probe, NOW_MS)
    assert isinstance(decoded, tuple)
    assert decoded[-1] == Decoded(21.2, 1320067644000, "urn:dev:ow:10e2073a01080063")


def test_what_a_node_writes_resolves_to_the_same_samples() -> None:
    """encode then resolve gives every time to the millisecond and every value exactly.

    Source: RFC 8428, section 4.6 (the reverse of resolving); the name is common practice.
    """
    samples = [(1_800_000_000_123, 21.0625), (1_800_000_010_456, 21.125), (1_800_000_020_001, -0.5)]
    records = resolve(json.loads(encode_senml("bench-north", "soil-1", "Cel", samples)), NOW_MS)
    assert [(round(record.time_s * 1000), record.value) for record in records] == samples
    assert {(r.name, r.unit, r.explicit) for r in records} == {("urn:dev:ops:bench-north:soil-1", "Cel", True)}
