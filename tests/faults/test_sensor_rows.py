"""Hazard rows of the sensors themselves: what the node reads, and what becomes of heat when it is a fault."""

import pytest

from controller.node.sensors import Fault, ds18b20_c, ntc_c, sht3x
from controller.probe import Quantity
from controller.wire.payload import Form, Refusal, decode
from tests.core_site import warm_bed
from tests.faults.soon import off_in_time

FAULTS = [
    pytest.param("P01", ds18b20_c(b"\xff" * 9), Fault.CRC, id="P01-line-open"),
    pytest.param("P02", ds18b20_c(b"\x00" * 9), Fault.ALL_ZERO, id="P02-line-shorted-low"),
    pytest.param("P07", ntc_c(4095), Fault.OPEN, id="P07-ntc-open"),
    pytest.param("P08", ntc_c(0), Fault.SHORT, id="P08-ntc-short"),
    pytest.param("P09", sht3x(bytes(6)), Fault.CRC, id="P09-sht-zero-word"),
]

PAYLOADS = [
    pytest.param("P18", b'[{"n":"soil","v":18}]', "no-unit", id="P18-unit-missing"),
    pytest.param("P18", b'[{"n":"soil","u":"F","v":64}]', "wrong-unit", id="P18-unit-F"),
    pytest.param("P19", b'[{"n":"soil","u":"Cel","v":NaN}]', None, id="P19-NaN"),
    pytest.param("P19", b'[{"n":"soil","u":"Cel","v":1e309}]', None, id="P19-1e309"),
    pytest.param("P19", b'[{"n":"soil","u":"Cel","v":"21.5"}]', None, id="P19-text"),
    pytest.param("P20", b'[{"n":"soil","u":"Cel","s":5}]', None, id="P20-only-a-sum"),
    pytest.param("P20", b'[{"bn":"soil","bu":"Cel","bv":20}]', None, id="P20-only-a-base-value"),
]


def heat_ends_in_silence(row: str) -> None:
    """The soil probe, so far well, says nothing any more: heat ends within class E, and nothing latches."""
    bed = warm_bed()
    fault_s, bed.says["soil"] = bed.second, None
    bed.run(200)
    assert bed.trips == ()
    off_in_time(row, bed, fault_s)
    assert bed.on_seconds(fault_s + bed.off_after(fault_s)) == []


@pytest.mark.parametrize(("row", "read", "fault"), FAULTS)
def test_a_faulty_sensor_says_nothing_and_heat_ends(row: str, read: object, fault: Fault) -> None:
    """P01 P02 P07 P08 P09: a fault, never a number; the probe falls silent and heat ends within class E."""
    assert read is fault
    heat_ends_in_silence(row)


@pytest.mark.parametrize(("row", "payload", "reason"), PAYLOADS)
def test_a_payload_that_is_no_measurement_is_refused_and_heat_ends(
    row: str, payload: bytes, reason: str | None
) -> None:
    """P18 P19 P20: refused with a reason, never 0.0 Cel; without readings heat ends within class E."""
    found = decode(payload, Form.ANY, Quantity.SOIL, None, None, "soil", 1_772_000_000_000)
    assert isinstance(found, Refusal)
    if reason is not None:
        assert found.reason == reason
    heat_ends_in_silence(row)


def test_the_silent_probe_had_been_heating() -> None:
    """The rows above prove nothing unless heat was on before the fault."""
    bed = warm_bed()
    bed.run(5)
    assert bed.on
