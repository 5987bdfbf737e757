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
REPORT = encode_report(True, True, 7, 42, 9.876, 1.95678, 3, 100.04)


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
        (b" " * 1025, "too-large"),
    ],
)
def test_what_is_no_object_is_refused(payload: bytes, reason: str) -> None:
    """B10: size first, then text, then shape; commands and reports alike."""
    with pytest.raises(WireError, match=f"^{reason}$"):
        decode_command(payload, KEY)
    with pytest.raises(WireError, match=f"^{reason}$"):
        decode_report(payload, NOW)


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


def test_a_will_is_no_report() -> None:
    """B05: "offline" is heard and is not an error."""
    assert decode_report(b"offline", NOW) is None


def test_no_current_measured_is_none_not_zero() -> None:
    """A missing value is None."""
    report = decode_report(encode_report(False, False, 0, 0, 0.0, None, 0, 0.0), NOW)
    assert report is not None
    assert report.amps is None


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
    ],
)
def test_a_report_that_is_not_as_the_contract_says_is_refused(change: dict[str, object]) -> None:
    """A node that mumbles is not heard."""
    with pytest.raises(WireError, match="bad-"):
        decode_report(changed(REPORT, **change), NOW)
