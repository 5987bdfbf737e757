"""Heater command and heater state on the wire: written one way, read strictly."""

import hashlib
import hmac
import json
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.clock import Moment
from controller.safety.lease import Order
from controller.wire.relay import (
    Command,
    Health,
    WireError,
    decode_command,
    decode_report,
    encode_command,
    encode_report,
    mac_of,
    says_off,
)

KEY, ISSUED_MS = b"k" * 32, 1_772_400_000_123
NOW = Moment(12.0, ISSUED_MS)
ON = Order(True, True, "")
COMMAND = encode_command(ON, 15.0, 7, 42, ISSUED_MS, "larch-host", KEY)
HEALTH = Health(("no-current", "boot-loop"), ("power-low",), (("late", 3), ("retained", 1)), "0f" * 8, 4, "failed")
REPORT = encode_report(True, True, 7, 42, 9.876, 1.95678, 3, 100.04, HEALTH)


def changed(payload: bytes, **changes: object) -> bytes:
    """Return a payload with fields changed, or left out where `...`."""
    fields = json.loads(payload) | changes
    return json.dumps({name: value for name, value in fields.items() if value is not ...}).encode()


def test_a_command_is_read_as_it_was_written() -> None:
    """Every field, and the mac is right."""
    assert decode_command(COMMAND, KEY) == Command(True, True, 15.0, 7, 42, ISSUED_MS, "larch-host", True)


def test_the_mac_is_hmac_sha256_of_the_other_fields_sorted() -> None:
    """A node in any language can compute it from the contract."""
    unsigned = (
        b'{"armed":true,"by":"larch-host","epoch":7,"issued":"2026-03-01T21:20:00.123Z","lease_s":15.0,"on":true,'
        b'"seq":42}'
    )
    assert json.loads(COMMAND)["mac"] == hmac.new(KEY, unsigned, hashlib.sha256).hexdigest()
    assert mac_of(json.loads(COMMAND), KEY) == json.loads(COMMAND)["mac"]


@pytest.mark.parametrize("by", ["larch-host", '","on":', ',"on":true', "\\", '\\",\\"on\\":', "mäc", "\u2028\x00", ""])
@pytest.mark.parametrize("key", [KEY, None])
def test_a_command_is_canonical_whatever_the_name_of_who_sends_it(by: str, key: bytes | None) -> None:
    """Written once, its mac put in afterwards: all fields sorted, with no spaces, and each one as it was given."""
    written = encode_command(ON, 15.0, 7, 42, ISSUED_MS, by, key)
    fields = json.loads(written)
    assert written == json.dumps(fields, sort_keys=True, separators=(",", ":")).encode()
    assert (fields["by"], fields["on"]) == (by, True)
    assert fields["mac"] == (mac_of(fields, key) if key else "")


@pytest.mark.parametrize(
    "change", [{"on": False}, {"armed": False}, {"lease_s": 14.0}, {"epoch": 8}, {"seq": 43}, {"by": "x"}, {"mac": ""}]
)
def test_any_field_changed_breaks_the_mac(change: dict[str, object]) -> None:
    """R08: nothing can be altered on the way."""
    assert decode_command(COMMAND, KEY).signed
    assert not decode_command(changed(COMMAND, **change), KEY).signed


def test_without_a_key_nothing_is_signed_for_a_node_that_has_one() -> None:
    """An unsigned command reads, but as unsigned; a bench node without a key takes it."""
    bare = encode_command(ON, 15.0, 7, 42, ISSUED_MS, "larch-host", None)
    assert json.loads(bare)["mac"] == ""
    assert not decode_command(bare, KEY).signed
    assert decode_command(bare, None).signed


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"on": 1}, "bad-on"),
        ({"on": "true"}, "bad-on"),
        ({"on": ...}, "bad-on"),
        ({"armed": None}, "bad-armed"),
        ({"lease_s": -1}, "bad-lease_s"),
        ({"lease_s": "15"}, "bad-lease_s"),
        ({"lease_s": True}, "bad-lease_s"),
        ({"lease_s": float("nan")}, "bad-lease_s"),
        ({"lease_s": float("inf")}, "bad-lease_s"),
        ({"lease_s": 10**400}, "bad-lease_s"),
        ({"lease_s": ...}, "bad-lease_s"),
        ({"epoch": -1}, "bad-epoch"),
        ({"epoch": 1.0}, "bad-epoch"),
        ({"epoch": 2**53}, "bad-epoch"),
        ({"seq": True}, "bad-seq"),
        ({"seq": ...}, "bad-seq"),
        ({"issued": "2026-03-01T21:20:00"}, "bad-issued"),
        ({"issued": "now"}, "bad-issued"),
        ({"issued": 5}, "bad-text"),
        ({"by": None}, "bad-text"),
        ({"mac": ...}, "bad-text"),
        ({"enclosure": "elder"}, "unknown-field"),
        ({"On": True}, "unknown-field"),
    ],
)
def test_a_field_that_is_not_of_its_kind_is_named(change: dict[str, object], reason: str) -> None:
    """N12: the reason is what it is counted under."""
    with pytest.raises(WireError, match=f"^{reason}$"):
        decode_command(changed(COMMAND, **change), None)


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "not-json"),
        (b"{", "not-json"),
        (b"\xff", "not-json"),
        (b"[" * 900, "not-json"),
        (b"[]", "not-an-object"),
        (b"7", "not-an-object"),
        (b" " * 2049, "too-large"),
    ],
)
def test_what_is_no_object_is_refused(payload: bytes, reason: str) -> None:
    """B10: size first, then text, then shape; commands and reports alike."""
    with pytest.raises(WireError, match=f"^{reason}$"):
        decode_command(payload, KEY)
    with pytest.raises(WireError, match=f"^{reason}$"):
        decode_report(payload, NOW)


def test_a_command_is_at_most_1024_bytes_and_a_report_2048() -> None:
    """Just at and just over; white space is no content but counts."""
    assert decode_command(COMMAND.ljust(1024), KEY).signed
    with pytest.raises(WireError, match=r"^too-large$"):
        decode_command(COMMAND.ljust(1025), KEY)
    assert decode_report(REPORT.ljust(2048), NOW) is not None


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(payload: bytes) -> None:
    """Nothing but WireError comes out, and no random bytes are a signed command."""
    for read in (lambda: decode_command(payload, KEY), lambda: decode_report(payload, NOW)):
        with suppress(WireError):
            assert read() is None
    assert says_off(payload) in {True, False}


@pytest.mark.parametrize(
    ("payload", "off"),
    [
        (b'{"on":false}', True),
        (b'{"on":false,"lease_s":"x"}', True),
        (b'{"on":true}', False),
        (b'{"on":0}', False),
        (b'{"on":null}', False),
        (b"{}", False),
        (b"false", False),
        (b"\xff", False),
    ],
)
def test_off_is_read_from_a_broken_command(payload: bytes, off: bool) -> None:
    """I3: only a plain `false` says off."""
    assert says_off(payload) is off


def test_a_report_is_read_as_it_was_written() -> None:
    """Rounded as the contract says, and stamped with our receipt."""
    report = decode_report(REPORT, NOW)
    assert report is not None
    assert (report.arrived_s, report.arrived_ms) == (12.0, ISSUED_MS)
    assert (report.on, report.armed, report.epoch, report.seq, report.drops) == (True, True, 7, 42, 3)
    assert (report.lease_left_s, report.amps, report.uptime_s) == (9.88, 1.957, 100.0)
    assert (report.faults, report.limits) == (("no-current", "boot-loop"), "0f" * 8)
    assert dict(report.refused) == {"late": 3, "retained": 1}
    assert (report.boots, report.proof) == (4, "failed")


def test_a_report_of_an_older_node_says_nothing_of_its_health() -> None:
    """What it leaves out is as if it were sound, had booted once and had proved nothing."""
    health = ("faults", "notices", "refused", "limits", "boots", "proof")
    report = decode_report(changed(REPORT, **dict.fromkeys(health, ...)), NOW)
    assert report is not None
    assert (report.faults, report.refused, report.limits, report.boots, report.proof) == ((), (), "", 1, "")


def test_of_more_refusals_than_fit_the_most_frequent_are_told() -> None:
    """Sixteen, whatever the order in which they came up; the longest report there can be is still read."""
    reasons = tuple((f"{number:02}-{'x' * 37}", 10**6 + number) for number in range(40))
    faults = tuple(f"{number:02}-{'y' * 37}" for number in range(16))
    health = Health(faults, ("power-low",), reasons, "0f" * 8, 999, "not-possible")
    payload = encode_report(False, False, 2**40, 2**40, 0.0, 1.234, 2**40, 1e9, health)
    report = decode_report(payload, NOW)
    assert report is not None
    assert {count for _, count in report.refused} == set(range(10**6 + 24, 10**6 + 40))
    assert report.faults == faults


@pytest.mark.parametrize("proof", ["", "running", "passed", "failed", "not-possible"])
def test_each_state_of_a_proof_is_read(proof: str) -> None:
    """And no other."""
    report = decode_report(changed(REPORT, proof=proof), NOW)
    assert report is not None
    assert report.proof == proof


@pytest.mark.parametrize("count", [16, 17])
def test_at_most_sixteen_names_of_at_most_forty_characters_are_read(count: int) -> None:
    """Just at and just over, for faults and for reasons."""
    names = [f"n{number}" for number in range(count)]
    for change in ({"faults": names}, {"notices": names}, {"refused": dict.fromkeys(names, 1)}):
        payload = changed(REPORT, **change)
        if count <= 16:
            assert decode_report(payload, NOW) is not None
        else:
            with pytest.raises(WireError, match=f"^bad-{next(iter(change))}$"):
                decode_report(payload, NOW)
    longest = changed(REPORT, faults=["x" * (24 + count)])
    if count <= 16:
        assert decode_report(longest, NOW) is not None
    else:
        with pytest.raises(WireError, match=r"^bad-faults$"):
            decode_report(longest, NOW)


def test_a_will_is_no_report() -> None:
    """B05: "offline" is heard and is not an error."""
    assert decode_report(b"offline", NOW) is None


def test_no_current_measured_is_none_not_zero() -> None:
    """A missing value is None."""
    report = decode_report(encode_report(False, False, 0, 0, 0.0, None, 0, 0.0), NOW)
    assert report is not None
    assert report.amps is None


@pytest.mark.parametrize(("amps", "read"), [(10_000.0, 10_000.0), (10_001.0, None), (1e308, None)])
def test_a_current_that_nobody_measured_is_not_told(amps: float, read: float | None) -> None:
    """Its power would be no finite number, which no status may hold; the rest of the report stands."""
    report = decode_report(changed(REPORT, amps=amps), NOW)
    assert report is not None
    assert (report.amps, report.on) == (read, True)


@pytest.mark.parametrize(
    "change",
    [
        {"on": 1},
        {"armed": ...},
        {"amps": "2"},
        {"amps": -0.1},
        {"amps": float("nan")},
        {"drops": -1},
        {"uptime_s": None},
        {"faults": "no-current"},
        {"faults": None},
        {"faults": [1]},
        {"faults": [""]},
        {"faults": ["No current"]},
        {"faults": ["<b>"]},
        {"faults": ["no-current\n"]},
        {"notices": [[]]},
        {"refused": []},
        {"refused": {"late": -1}},
        {"refused": {"late": "3"}},
        {"refused": {"late": True}},
        {"refused": {"": 1}},
        {"refused": {"x" * 41: 1}},
        {"limits": 7},
        {"limits": None},
        {"limits": "x" * 41},
        {"boots": -1},
        {"boots": 1.5},
        {"boots": None},
        {"proof": "perhaps"},
        {"proof": None},
        {"proof": []},
    ],
)
def test_a_report_that_is_not_as_the_contract_says_is_refused(change: dict[str, object]) -> None:
    """A node that mumbles is not heard."""
    with pytest.raises(WireError, match="bad-"):
        decode_report(changed(REPORT, **change), NOW)


def test_a_report_is_refused_for_a_reason_of_ours_whatever_names_it_bears() -> None:
    """Refusals are counted by reason, told in every status: a node that made up names had them grow without end."""
    for count in (-1, "3", 2**53):
        with pytest.raises(WireError, match=r"^bad-refused$"):
            decode_report(changed(REPORT, refused={"made-up": count}), NOW)
