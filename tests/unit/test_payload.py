"""Payload decoders: a finite value in SI units, or a refusal with its reason."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.probe import Quantity
from controller.wire.payload import Contact, Decoded, Form, Refusal, Refused, decode, encode_senml

NOW_MS = 1_800_000_000_000


def said(
    payload: bytes | str | list[dict[str, object]],
    form: Form = Form.ANY,
    quantity: Quantity = Quantity.SOIL,
    unit: str | None = None,
    pointer: str | None = None,
) -> tuple[Decoded, ...] | Refusal:
    """Decode a payload of the probe "soil-1"."""
    if isinstance(payload, list):
        payload = json.dumps(payload)
    raw = payload if isinstance(payload, bytes) else payload.encode()
    return decode(raw, form, quantity, unit, pointer, "soil-1", NOW_MS)


def value(*args: object, **kwargs: object) -> float:
    """Return the one value a payload decodes to."""
    decoded = said(*args, **kwargs)  # type: ignore[arg-type]
    assert isinstance(decoded, tuple), decoded
    (only,) = decoded
    return only.value


def reason(*args: object, **kwargs: object) -> Refused:
    """Return why a payload is refused."""
    refusal = said(*args, **kwargs)  # type: ignore[arg-type]
    assert isinstance(refusal, Refusal), refusal
    assert refusal.detail.isascii()
    assert 0 < len(refusal.detail) < 250
    return refusal.reason


@pytest.mark.parametrize(
    ("text", "expected"), [("21.5", 21.5), ("-3", -3.0), ("0", 0.0), (" 2.15e1\r\n", 21.5), ("127.94", 127.94)]
)
def test_a_bare_number_is_a_reading_without_stamp_or_source(text: str, expected: float) -> None:
    """JSON number text, white space around it allowed."""
    assert said(text) == (Decoded(expected, None, ""),)
    assert said(text, pointer="/t") == said(text), "a pointer is for objects"


@pytest.mark.parametrize(
    ("text", "expected"),
    [('"21.5"', Refused.NOT_A_NUMBER), ("true", Refused.NOT_A_NUMBER), ("null", Refused.NOT_A_NUMBER),
     ("NaN", Refused.NOT_FINITE), ("Infinity", Refused.NOT_FINITE), ("-Infinity", Refused.NOT_FINITE),
     ("1e309", Refused.NOT_FINITE), ("9" * 5000, Refused.NOT_FINITE), ("", Refused.NOT_JSON),
     ("nan", Refused.NOT_JSON), ("+1", Refused.NOT_JSON), ("01", Refused.NOT_JSON), ("1.", Refused.NOT_JSON),
     (".5", Refused.NOT_JSON), ("0x10", Refused.NOT_JSON), ("1_0", Refused.NOT_JSON), ("21,5", Refused.NOT_JSON),
     ("21.5 C", Refused.NOT_JSON), ("\u0662\u0661", Refused.NOT_JSON), ("\ufeff21", Refused.NOT_JSON),
     ("{}", Refused.NOT_A_NUMBER)],
)  # fmt: skip
def test_what_is_no_strict_finite_number_is_refused(text: str, expected: Refused) -> None:
    """Hazard P19: nothing that is nearly a number passes."""
    assert reason(text) is expected


@pytest.mark.parametrize(
    ("unit", "text", "expected_c"),
    [(None, "20", 20), ("Cel", "20", 20), ("C", "20", 20), ("F", "68", 20), ("K", "293.15", 20), ("F", "-40", -40)],
)
def test_settings_name_the_unit_of_a_number(unit: str | None, text: str, expected_c: float) -> None:
    """Fahrenheit and kelvin are converted only because settings say so."""
    assert value(text, unit=unit) == pytest.approx(expected_c, abs=1e-9)
    assert value(f'{{"t":{text}}}', unit=unit, pointer="/t") == pytest.approx(expected_c, abs=1e-9)


@pytest.mark.parametrize(
    ("quantity", "unit"),
    [(Quantity.SOIL, "%RH"), (Quantity.SOIL, "f"), (Quantity.HUMIDITY, "%"), (Quantity.HUMIDITY, "K"),
     (Quantity.CURRENT, "mA")],
)  # fmt: skip
def test_a_unit_that_is_not_the_quantitys_is_refused(quantity: Quantity, unit: str) -> None:
    """No unit is guessed, whoever names it (hazard P18)."""
    assert reason("1", quantity=quantity, unit=unit) is Refused.WRONG_UNIT
    assert reason([{"n": "soil-1", "u": unit, "v": 1}], quantity=quantity) is Refused.WRONG_UNIT


def test_senml_without_a_unit_is_refused() -> None:
    """Hazard P18: missing and empty alike, and settings do not fill it in."""
    assert reason([{"n": "soil-1", "v": 20}], unit="Cel") is Refused.NO_UNIT
    assert reason([{"n": "soil-1", "u": "", "v": 20}]) is Refused.NO_UNIT


@pytest.mark.parametrize("unit", ["F", "C", "degF"])
def test_senml_in_fahrenheit_is_refused(unit: str) -> None:
    """In SenML F is the farad and C the coulomb (hazard P18)."""
    assert reason([{"n": "soil-1", "u": unit, "v": 68}]) is Refused.WRONG_UNIT


def test_senml_in_kelvin_is_converted() -> None:
    """K is a unit RFC 8428 knows; zero kelvin is minus 273.15 Cel."""
    assert value([{"n": "soil-1", "u": "K", "v": 293.15}]) == pytest.approx(20)
    assert value([{"n": "soil-1", "bu": "K", "v": 0}]) == pytest.approx(-273.15)


@pytest.mark.parametrize(
    "record",
    [{"s": 5}, {"bv": 20}, {"bv": 20, "s": 5}, {"bs": 5}, {}, {"vs": "20"}, {"vb": True}, {"vd": "MjA"}],
)
def test_a_record_without_an_explicit_v_is_refused(record: dict[str, object]) -> None:
    """Hazard P20: it never reads 0.0, which would ask for full heat."""
    assert reason([{"n": "soil-1", "u": "Cel", **record}]) is Refused.NO_VALUE


@pytest.mark.parametrize("wrong", ['"20"', "true", "null", "[20]", '{"v":20}'])
def test_a_v_that_is_no_number_is_refused(wrong: str) -> None:
    """A bool is no number, text is no number (hazard P19)."""
    assert reason(f'[{{"n":"soil-1","u":"Cel","v":{wrong}}}]') is Refused.NOT_A_NUMBER


@pytest.mark.parametrize("wrong", ["NaN", "Infinity", "1e309"])
def test_a_v_that_is_not_finite_is_refused(wrong: str) -> None:
    """Hazard P19, inside a pack and behind a pointer."""
    assert reason(f'[{{"n":"soil-1","u":"Cel","v":{wrong}}}]') is Refused.NOT_FINITE
    assert reason(f'{{"t":{wrong}}}', pointer="/t") is Refused.NOT_FINITE


def test_one_record_without_v_refuses_the_whole_pack() -> None:
    """No half of a doubtful pack is used."""
    pack: list[dict[str, object]] = [{"bn": "soil-1", "bu": "Cel", "v": 20}, {"t": 5, "s": 3}]
    assert reason(pack) is Refused.NO_VALUE


@pytest.mark.parametrize("name", ["soil-1", "urn:dev:ops:n1:soil-1", "tarn/north/soil-1"])
def test_a_record_is_ours_when_its_name_ends_with_the_probe(name: str) -> None:
    """The other record of the pack is left alone, and the source is the full name."""
    pack: list[dict[str, object]] = [{"n": name, "u": "Cel", "v": 20}, {"n": "battery", "u": "V", "v": 3}]
    assert said(pack) == (Decoded(20, None, name),)


@pytest.mark.parametrize("name", ["xsoil-1", "soil-11", "soil-1/x", "n1-soil-1", "SOIL-1"])
def test_a_record_that_only_looks_like_ours_is_not(name: str) -> None:
    """The probe's name must stand alone after "/" or ":"."""
    pack: list[dict[str, object]] = [{"n": name, "u": "Cel", "v": 20}, {"n": "battery", "u": "V", "v": 3}]
    assert reason(pack) is Refused.NO_RECORD


def test_a_pack_of_one_record_may_have_any_name() -> None:
    """The topic says whose it is; the source still says who spoke (hazard P25)."""
    assert said([{"n": "t1", "u": "Cel", "v": 20}]) == (Decoded(20, None, "t1"),)


def test_a_backlog_comes_back_whole_and_in_order() -> None:
    """What a node wrote after an outage decodes to the same samples."""
    samples = [(NOW_MS - 20_000, 20.5), (NOW_MS - 10_001, 20.75), (NOW_MS, 21.0)]
    decoded = said(encode_senml("n1", "soil-1", "Cel", samples))
    assert isinstance(decoded, tuple)
    assert [(one.taken_ms, one.value) for one in decoded] == samples
    assert {one.source for one in decoded} == {"urn:dev:ops:n1:soil-1"}


def test_relative_times_count_from_our_now() -> None:
    """A stamp of -60 s is a minute ago; no stamp at all is None, not now."""
    decoded = said([{"bn": "soil-1", "bu": "Cel", "t": -60, "v": 20}])
    assert decoded == (Decoded(20, NOW_MS - 60_000, "soil-1"),)


def test_a_newer_senml_version_is_refused() -> None:
    """bver 11 may mean anything."""
    assert reason([{"bver": 11, "n": "soil-1", "u": "Cel", "v": 20}]) is Refused.VERSION


@pytest.mark.parametrize(
    ("pointer", "expected"),
    [("/foo/0", 1), ("/", 2), ("/a~1b", 3), ("/m~0n", 4), ("/~01", 5), ("/deep/list/1/x", 6), ("/ ", 7)],
)
def test_a_pointer_finds_its_number(pointer: str, expected: float) -> None:
    """RFC 6901 with both escapes and array indices."""
    document = {"foo": [1], "": 2, "a/b": 3, "m~n": 4, "~1": 5, "deep": {"list": [0, {"x": 6}]}, " ": 7}
    assert value(json.dumps(document), pointer=pointer) == expected


@pytest.mark.parametrize("pointer", ["/no", "/foo/1", "/foo/-", "/foo/00", "/foo/-1", "/foo/0/x", "foo", "/m~2n", "/~",
                                     "/foo/" + "9" * 5000, None])  # fmt: skip
def test_a_pointer_to_nothing_is_refused(pointer: str | None) -> None:
    """Missing keys, indices past the end or badly written, and what is no pointer."""
    assert reason('{"foo":[1]}', form=Form.JSON, pointer=pointer) is Refused.POINTER_MISSING


def test_the_empty_pointer_is_the_whole_document() -> None:
    """RFC 6901, section 5."""
    assert value("20", form=Form.JSON, pointer="") == 20


@pytest.mark.parametrize("text", ['{"t":"20"}', '{"t":true}', '{"t":null}', '{"t":[20]}'])
def test_what_a_pointer_finds_must_be_a_number(text: str) -> None:
    """As strict as a bare number (hazard P19)."""
    assert reason(text, pointer="/t") is Refused.NOT_A_NUMBER


def test_the_same_key_twice_is_refused() -> None:
    """A JSON reader would silently let the last one win, at any depth and in SenML too."""
    assert reason('{"t":20,"t":21}', pointer="/t") is Refused.DUPLICATE_KEY
    assert reason('{"t":20,"x":{"a":1,"a":1}}', pointer="/t") is Refused.DUPLICATE_KEY
    assert reason('[{"n":"soil-1","u":"Cel","v":20,"v":0}]') is Refused.DUPLICATE_KEY


def test_a_payload_above_the_limit_is_refused_before_it_is_read() -> None:
    """Hazard B10: 16384 bytes pass, 16385 and a megabyte do not."""
    assert value(b"20".ljust(16384)) == 20
    assert reason(b"20".ljust(16385)) is Refused.TOO_LARGE
    assert reason(b"[" * 1_000_000) is Refused.TOO_LARGE


@pytest.mark.parametrize("form", list(Form))
def test_bytes_that_are_not_utf8_are_refused(form: Form) -> None:
    """Hazard B10, overlong and surrogate forms included."""
    for payload in (b"\xff", b"21.5\x80", b"\xc0\xb1", b"\xed\xa0\x80"):
        assert reason(payload, form=form, pointer="/t") is Refused.NOT_UTF8


def test_deep_nesting_is_refused_and_not_a_crash() -> None:
    """Sixteen thousand brackets fit the size limit."""
    assert reason("[" * 16384) is Refused.NOT_JSON
    assert reason('{"a":' * 3000, pointer="/a") is Refused.NOT_JSON
    assert reason("[" * 8000 + "]" * 8000, form=Form.NUMBER) in (Refused.NOT_JSON, Refused.NOT_A_NUMBER)


def test_a_named_form_does_not_guess() -> None:
    """Settings that say number get no SenML, and the other way round."""
    assert reason([{"n": "soil-1", "u": "Cel", "v": 20}], form=Form.NUMBER) is Refused.NOT_A_NUMBER
    assert reason("20", form=Form.SENML) is Refused.BAD_SENML


@pytest.mark.parametrize(
    "record", [{"u": "/", "v": 1}, {"u": "/", "vb": True}, {"vb": True}, {"u": "/", "v": 1.0}, {"bu": "/", "vb": True}]
)
def test_a_contact_is_one_or_true(record: dict[str, object]) -> None:
    """The switch unit or a bool, for a contact alone."""
    assert value([{"n": "soil-1", **record}], quantity=Quantity.CONTACT) == Contact.CLOSED


def test_an_open_contact_is_zero() -> None:
    """As a bool, as a SenML number and as a bare number."""
    assert value([{"n": "soil-1", "vb": False}], quantity=Quantity.CONTACT) == Contact.OPEN
    assert value([{"n": "soil-1", "u": "/", "v": 0}], quantity=Quantity.CONTACT) == Contact.OPEN
    assert value("0", quantity=Quantity.CONTACT) == Contact.OPEN


def test_a_contact_is_never_between() -> None:
    """0.5, 2 and a bool with a foreign unit are refused."""
    assert reason("0.5", quantity=Quantity.CONTACT) is Refused.NOT_A_CONTACT
    assert reason([{"n": "soil-1", "u": "/", "v": 2}], quantity=Quantity.CONTACT) is Refused.NOT_A_CONTACT
    assert reason([{"n": "soil-1", "u": "A", "vb": True}], quantity=Quantity.CONTACT) is Refused.WRONG_UNIT
    assert reason([{"n": "soil-1", "v": 1}], quantity=Quantity.CONTACT) is Refused.NO_UNIT
    assert reason("true", quantity=Quantity.CONTACT) is Refused.NOT_A_NUMBER


@pytest.mark.parametrize(
    ("source", "probe", "samples"),
    [("n 1", "soil-1", [(NOW_MS, 1.0)]), ("n1", "", [(NOW_MS, 1.0)]), ("", "soil-1", [(NOW_MS, 1.0)]),
     ("n1", "soil-1", []), ("n1", "soil-1", [(NOW_MS, math.nan)]), ("n1", "soil-1", [(NOW_MS, math.inf)]),
     ("n1", "soil-1", [(60_000, 1.0)]), ("n1", "soil-1", [(NOW_MS, 20.5)] * 600)],
)  # fmt: skip
def test_a_node_cannot_write_what_would_be_refused(source: str, probe: str, samples: list[tuple[int, float]]) -> None:
    """Bad names, no samples, values not finite, relative times and packs too large raise at the node."""
    with pytest.raises(ValueError, match=r"name|sample|pack"):
        encode_senml(source, probe, "Cel", samples)


_LABELS = ("bn", "bt", "bu", "bv", "bs", "bver", "n", "t", "v", "u", "vs", "vb", "vd", "s", "ut", "x", "x_")
_SCALARS = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.sampled_from(["soil-1", "Cel", "K", "/", "n1:", ""])
)
_JSON = st.recursive(_SCALARS | st.text(), lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner))
_PACKS = st.lists(st.dictionaries(st.sampled_from(_LABELS), _SCALARS | _JSON), max_size=4)
_ANYTHING = st.binary() | st.one_of(_JSON, _PACKS).map(lambda document: json.dumps(document).encode())


@given(
    payload=_ANYTHING,
    form=st.sampled_from(Form),
    quantity=st.sampled_from(Quantity),
    unit=st.none() | st.sampled_from(["F", "K", "Cel", "%RH"]) | st.text(),
    pointer=st.none() | st.just("") | st.text().map(lambda text: "/" + text) | st.text(),
)
def test_decode_never_raises_and_never_gives_what_is_not_finite(
    payload: bytes, form: Form, quantity: Quantity, unit: str | None, pointer: str | None
) -> None:
    """Arbitrary bytes, arbitrary JSON and near-packs: a tuple of finite values with sane stamps, or a refusal."""
    decoded = decode(payload, form, quantity, unit, pointer, "soil-1", NOW_MS)
    if isinstance(decoded, Refusal):
        assert decoded.detail.isascii()
        return
    assert decoded
    for one in decoded:
        assert isinstance(one.value, float)
        assert math.isfinite(one.value)
        assert one.taken_ms is None or 0 <= one.taken_ms < 2**53


@given(samples=st.lists(st.tuples(st.integers(NOW_MS - 10**9, NOW_MS), st.floats(-55, 125)), min_size=1, max_size=50))
def test_every_pack_a_node_writes_decodes_to_its_samples(samples: list[tuple[int, float]]) -> None:
    """Times to the millisecond, values bit for bit, sorted by time."""
    decoded = said(encode_senml("n1", "soil-1", "Cel", samples))
    assert isinstance(decoded, tuple)
    assert [(one.taken_ms, one.value) for one in decoded] == sorted(samples, key=lambda sample: sample[0])
