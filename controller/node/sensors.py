"""Sensor codes: what a probe's raw bytes or counts mean, or which fault they show."""

import math
from enum import StrEnum

SCRATCHPAD_BYTES = 9
ROM_BYTES = 8

POWER_ON_CODE = 0x0550
"""The DS18B20's 85.0 Cel at power-on."""

POWER_ON_BYTE_6 = 0x0C
"""Scratchpad byte 6 before the first conversion; a measured 85.0 has 0x10 there."""

LOW_SUPPLY_CODE = 0x07FF
"""127.94 Cel: the conversion ran short of supply."""

ADC_FULL = 4095
"""Full scale of the 12-bit converter."""

ADC_OPEN_FROM = 3976
"""The count at -40 Cel and above: the NTC is open (it would read far too cold and ask for heat)."""

ADC_SHORT_TO = 396
"""The count at 85 Cel and below: the NTC is shorted."""

NTC_OHM_25C = 10_000.0
DIVIDER_OHM = 10_000.0

SHT3X_COLDEST_C = -40.0
"""[Cel] Lowest the SHT3x can measure; a colder code would ask for heat."""

_NTC_TO_KELVIN = (3.354016e-3, 2.569850e-4, 2.620131e-6, 6.383091e-8)
_NTC_TO_OHM = (-14.6337, 4791.842, -115334.0, -3.730535e6)


class Fault(StrEnum):
    """Why a raw code is no reading."""

    LENGTH = "length"
    CRC = "crc"
    ALL_ZERO = "all-zero"
    POWER_ON = "power-on"
    LOW_SUPPLY = "low-supply"
    OUT_OF_RANGE = "out-of-range"
    OPEN = "open"
    SHORT = "short"


def crc8_onewire(data: bytes) -> int:
    """Return the 1-Wire CRC-8 (x^8+x^5+x^4+1, reflected 0x8C, from 0); over data with its CRC it is 0.

    Source: Maxim application note 27.
    """
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (0x8C if crc & 1 else 0)
    return crc


def crc8_sht(data: bytes) -> int:
    """Return the SHT3x CRC-8 (x^8+x^5+x^4+1, 0x31, from 0xFF). Source: Sensirion SHT3x-DIS datasheet, table 20."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = ((crc << 1) ^ (0x31 if crc & 0x80 else 0)) & 0xFF
    return crc


def rom_is_sound(rom: bytes) -> bool:
    """Whether 8 ROM bytes hold together: CRC right, and not all zero (whose CRC is right too)."""
    return len(rom) == ROM_BYTES and any(rom) and crc8_onewire(rom) == 0


def ds18b20_c(scratchpad: bytes) -> float | Fault:
    """Return [Cel] from a DS18B20 scratchpad of 9 bytes, or the fault it shows.

    Notes
    -----
    A line shorted low reads all zero, passes the CRC and would say 0.0 Cel: it is refused (hazard P02). 85.0 with
    byte 6 = 0x0C was never measured (P03); a genuine 85.0 is returned, since it must trip (P04).
    Valid range -55 to 125 Cel.

    Source: Maxim DS18B20 datasheet, tables 1 and 2; power-on and low-supply rules as in the Linux w1_therm driver.
    """
    if len(scratchpad) != SCRATCHPAD_BYTES:
        return Fault.LENGTH
    if not any(scratchpad):
        return Fault.ALL_ZERO
    if crc8_onewire(scratchpad) != 0:
        return Fault.CRC
    code = int.from_bytes(scratchpad[:2], "little", signed=True)
    if code == LOW_SUPPLY_CODE:
        return Fault.LOW_SUPPLY
    if code == POWER_ON_CODE and scratchpad[6] == POWER_ON_BYTE_6:
        return Fault.POWER_ON
    temperature_c = (code & _defined_bits(scratchpad[4])) / 16.0
    return temperature_c if -55.0 <= temperature_c <= 125.0 else Fault.OUT_OF_RANGE


def _defined_bits(config: int) -> int:
    """Return a mask of the code bits that mean something: below 12-bit resolution the lowest are undefined."""
    if config & 0x9F != 0x1F:
        return ~0
    return ~((1 << (3 - (config >> 5))) - 1)


def sht3x(words: bytes) -> tuple[float, float] | Fault:
    """Return ([Cel], [%RH]) from the 6 bytes of an SHT3x: two words, each with its CRC.

    Notes
    -----
    A code below -40 Cel is out of range. A hot one is returned as it stands, since hot must reach the trips.

    Source: Sensirion SHT3x-DIS datasheet, section 4.13.
    """
    if len(words) != 6:
        return Fault.LENGTH
    if crc8_sht(words[0:2]) != words[2] or crc8_sht(words[3:5]) != words[5]:
        return Fault.CRC
    temperature_c = -45.0 + 175.0 * int.from_bytes(words[0:2], "big") / 65535.0
    humidity_pct = 100.0 * int.from_bytes(words[3:5], "big") / 65535.0
    return (temperature_c, humidity_pct) if temperature_c >= SHT3X_COLDEST_C else Fault.OUT_OF_RANGE


def ntc_c(adc: int) -> float | Fault:
    """Return [Cel] from a 12-bit count over a 10 kOhm NTC on the low side of a 10 kOhm divider.

    Notes
    -----
    Valid counts 397 to 3975 (85 to -40 Cel); at or beyond the ends the wire is open or shorted (hazards P07, P08).
    """
    if not 0 <= adc <= ADC_FULL:
        return Fault.OUT_OF_RANGE
    if adc >= ADC_OPEN_FROM:
        return Fault.OPEN
    if adc <= ADC_SHORT_TO:
        return Fault.SHORT
    return ntc_from_ohm_c(DIVIDER_OHM * adc / (ADC_FULL - adc))


def ntc_from_ohm_c(resistance_ohm: float) -> float:
    """Return [Cel] of the 10 kOhm, B25/85 = 3977 K thermistor from its resistance [Ohm], above 0.

    Source: Vishay NTCLE100E3 datasheet, extended Steinhart and Hart equation.
    """
    logarithm = math.log(resistance_ohm / NTC_OHM_25C)
    return 1.0 / sum(factor * logarithm**power for power, factor in enumerate(_NTC_TO_KELVIN)) - 273.15


def ntc_ohm(temperature_c: float) -> float:
    """Return [Ohm] of the same thermistor at a temperature [Cel]; valid -40 to 125. Source: as `ntc_from_ohm_c`."""
    kelvin = temperature_c + 273.15
    return NTC_OHM_25C * math.exp(sum(factor / kelvin**power for power, factor in enumerate(_NTC_TO_OHM)))
