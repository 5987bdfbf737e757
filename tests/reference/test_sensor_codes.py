"""Sensor codes read as their datasheets say."""

import pytest

from controller.node.sensors import (
    Fault,
    crc8_onewire,
    crc8_sht,
    ds18b20_c,
    ntc_c,
    ntc_from_ohm_c,
    ntc_ohm,
    rom_is_sound,
    sht3x,
)


def scratchpad(code: int, byte_6: int = 0x10, config: int = 0x7F) -> bytes:
    """Build a scratchpad with a right CRC around a 16-bit code."""
    body = bytes([code & 0xFF, code >> 8, 0x4B, 0x46, config, 0xFF, byte_6, 0x10])
    return body + bytes([crc8_onewire(body)])


def sht_words(temperature: int, humidity: int) -> bytes:
    """Build the 6 bytes of an SHT3x with right CRCs."""
    words = [code.to_bytes(2, "big") for code in (temperature, humidity)]
    return b"".join(word + bytes([crc8_sht(word)]) for word in words)


@pytest.mark.parametrize(
    ("code", "expected_c"),
    [(0x07D0, 125.0), (0x0550, 85.0), (0x0191, 25.0625), (0x00A2, 10.125), (0x0008, 0.5), (0x0000, 0.0),
     (0xFFF8, -0.5), (0xFF5E, -10.125), (0xFE6F, -25.0625), (0xFC90, -55.0)],
)  # fmt: skip
def test_ds18b20_codes_are_sixteenths_of_a_degree(code: int, expected_c: float) -> None:
    """Two's complement, exact. A genuine 0.0 and a genuine 85.0 are readings (hazard P04).

    Source: Maxim DS18B20 datasheet, table 1.
    """
    assert ds18b20_c(scratchpad(code)) == expected_c


def test_the_onewire_crc_gives_the_published_bytes() -> None:
    """A2 over the seven ROM bytes, 0 with it; A1 over the digits.

    Source: Maxim application note 27 (ROM example); CRC-8/MAXIM-DOW check value A1.
    """
    rom = bytes.fromhex("021CB801000000")
    assert crc8_onewire(rom) == 0xA2
    assert crc8_onewire(rom + b"\xa2") == 0
    assert crc8_onewire(b"123456789") == 0xA1
    assert rom_is_sound(rom + b"\xa2")
    assert not rom_is_sound(rom + b"\xa3")


def test_all_zero_passes_the_crc_and_is_refused() -> None:
    """A line shorted low never reads 0.0 Cel, nor makes a ROM (hazard P02).

    Source: Maxim application note 27 for the CRC; the rule is common practice.
    """
    assert crc8_onewire(bytes(8)) == 0
    assert ds18b20_c(bytes(9)) is Fault.ALL_ZERO
    assert not rom_is_sound(bytes(8))


def test_an_open_line_fails_the_crc() -> None:
    """All FF: CRC C9, not FF (hazard P01).

    Source: Maxim application note 27.
    """
    assert crc8_onewire(b"\xff" * 8) == 0xC9
    assert ds18b20_c(b"\xff" * 9) is Fault.CRC


def test_the_power_on_scratchpad_is_refused() -> None:
    """CRC 1C holds, the 85.0 was never measured (hazard P03).

    Source: Maxim DS18B20 datasheet, figure 9 (power-on state); the byte-6 rule is from the Linux w1_therm driver.
    """
    power_on = bytes.fromhex("5005 4B46 7FFF 0C10 1C")
    assert crc8_onewire(power_on[:8]) == 0x1C
    assert ds18b20_c(power_on) is Fault.POWER_ON


def test_byte_6_alone_is_no_power_on() -> None:
    """0x0C belongs to any code ending in 4; only with 85.0 does it mean power-on.

    Source: common practice.
    """
    assert ds18b20_c(scratchpad(0x0154, byte_6=0x0C)) == 21.25


@pytest.mark.parametrize(
    ("code", "fault"),
    [(0x07FF, Fault.LOW_SUPPLY), (0x07FE, Fault.OUT_OF_RANGE), (0x07D1, Fault.OUT_OF_RANGE),
     (0xFC8F, Fault.OUT_OF_RANGE), (0xF810, Fault.OUT_OF_RANGE)],
)  # fmt: skip
def test_codes_the_chip_cannot_measure_are_faults(code: int, fault: Fault) -> None:
    """127.94 is a low supply, F810h the -127 convention of a library (hazards P05, P06).

    Source: Maxim DS18B20 datasheet (range -55 to 125); the sentinels are common practice.
    """
    assert ds18b20_c(scratchpad(code)) is fault


@pytest.mark.parametrize(("config", "expected_c"), [(0x1F, 25.0), (0x3F, 25.25), (0x5F, 25.375), (0x7F, 25.4375)])
def test_undefined_low_bits_are_left_out(config: int, expected_c: float) -> None:
    """At 9, 10 and 11 bits the lowest 3, 2 and 1 bits mean nothing.

    Source: Maxim DS18B20 datasheet, table 2 and the text under table 1.
    """
    assert ds18b20_c(scratchpad(0x0197, config=config)) == expected_c


@pytest.mark.parametrize("length", [0, 2, 8, 10])
def test_a_scratchpad_of_the_wrong_length_is_a_fault(length: int) -> None:
    """Nine bytes or nothing, on both sensors and on the ROM.

    Source: common practice.
    """
    assert ds18b20_c(bytes(length)) is Fault.LENGTH
    assert sht3x(bytes(length)) is Fault.LENGTH
    assert not rom_is_sound(b"\x01" * (length + 1))


def test_every_single_bit_flip_of_a_scratchpad_is_caught() -> None:
    """No flip of one bit leaves a reading.

    Source: Maxim application note 27 (all single-bit errors are detected).
    """
    sound = scratchpad(0x0191)
    for bit in range(72):
        flipped = bytearray(sound)
        flipped[bit // 8] ^= 1 << (bit % 8)
        assert ds18b20_c(bytes(flipped)) is Fault.CRC


def test_the_sht_crc_gives_the_published_byte() -> None:
    """BEEF gives 92; a stuck-low word gives 81, not 00.

    Source: Sensirion SHT3x-DIS datasheet, section 4.12 (checksum example).
    """
    assert crc8_sht(b"\xbe\xef") == 0x92
    assert crc8_sht(b"\x00\x00") == 0x81


@pytest.mark.parametrize(
    ("temperature", "humidity", "expected"),
    [(0x6666, 0x6666, (25.0, 40.0)), (0x8000, 0x8000, (42.5013, 50.0008)), (0xFFFF, 0xFFFF, (130.0, 100.0))],
)
def test_sht_words_read_as_the_formula_says(temperature: int, humidity: int, expected: tuple[float, float]) -> None:
    """T = -45 + 175 S/65535, RH = 100 S/65535; a hot code is returned so that it can trip.

    Source: Sensirion SHT3x-DIS datasheet, section 4.13.
    """
    assert sht3x(sht_words(temperature, humidity)) == pytest.approx(expected, abs=1e-3)


def test_a_stuck_sht_bus_is_a_fault() -> None:
    """All zero and all FF fail the CRC; a coldest code with a right CRC is out of range (hazard P09).

    Source: Sensirion SHT3x-DIS datasheet, section 4.12; the range rule is common practice.
    """
    assert sht3x(bytes(6)) is Fault.CRC
    assert sht3x(b"\xff" * 6) is Fault.CRC
    assert sht3x(sht_words(0x0000, 0x6666)) is Fault.OUT_OF_RANGE


@pytest.mark.parametrize("wrong", [2, 5])
def test_either_wrong_sht_crc_refuses_both_words(wrong: int) -> None:
    """The temperature is not used when the humidity word is broken, nor the other way.

    Source: common practice.
    """
    words = bytearray(sht_words(0x6666, 0x6666))
    words[wrong] ^= 1
    assert sht3x(bytes(words)) is Fault.CRC


@pytest.mark.parametrize(
    ("temperature_c", "ohm"), [(-20, 96_360), (0, 32_555), (25, 10_000), (40, 5330), (50, 3605), (60, 2490), (85, 1070)]
)
def test_the_thermistor_has_its_published_resistances(temperature_c: float, ohm: float) -> None:
    """R(T) within 0.1 %, and back within 0.05 K.

    Source: Vishay NTCLE100E3 datasheet, B25/85 = 3977 K (constants A, B, C, D and A1 to D1).
    """
    assert ntc_ohm(temperature_c) == pytest.approx(ohm, rel=1e-3)
    assert ntc_from_ohm_c(ntc_ohm(temperature_c)) == pytest.approx(temperature_c, abs=0.05)


def test_ten_kilohm_is_25_degrees() -> None:
    """The reference point of the thermistor.

    Source: Vishay NTCLE100E3 datasheet.
    """
    assert ntc_from_ohm_c(10_000) == pytest.approx(25.0, abs=0.005)


@pytest.mark.parametrize(("adc", "expected_c"), [(2048, 25.0), (3133, 0.0), (816, 60.0)])
def test_divider_counts_read_as_temperatures(adc: int, expected_c: float) -> None:
    """NTC on the low side: more counts, colder.

    Source: Vishay NTCLE100E3 datasheet, with the divider computed.
    """
    assert ntc_c(adc) == pytest.approx(expected_c, abs=0.05)


@pytest.mark.parametrize(
    ("adc", "fault"),
    [(4095, Fault.OPEN), (3976, Fault.OPEN), (396, Fault.SHORT), (0, Fault.SHORT), (-1, Fault.OUT_OF_RANGE),
     (4096, Fault.OUT_OF_RANGE)],
)  # fmt: skip
def test_counts_at_the_ends_are_faults(adc: int, fault: Fault) -> None:
    """An open NTC would read below -90 Cel and ask for heat (hazards P07, P08).

    Source: common practice.
    """
    assert ntc_c(adc) is fault


def test_counts_just_inside_the_ends_are_readings_and_fall_with_the_count() -> None:
    """397 is just below 85 Cel, 3975 just above -40 Cel, and colder means more counts all the way.

    Source: Vishay NTCLE100E3 datasheet, with the divider computed.
    """
    readings = [ntc_c(adc) for adc in range(397, 3976)]
    values = [reading for reading in readings if not isinstance(reading, Fault)]
    assert len(values) == 3579
    assert values == sorted(values, reverse=True)
    assert values[0] == pytest.approx(85, abs=0.2)
    assert values[-1] == pytest.approx(-40, abs=0.2)
