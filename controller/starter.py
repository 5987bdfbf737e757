"""`soilward init`: commented settings, keys only their owner can read, and the first person."""

import getpass
import secrets
import subprocess
import sys
from pathlib import Path

from controller.errors import SettingsError
from controller.load_settings import load
from controller.store import heads
from controller.wire.embedded import write_private

TEMPLATE = """# Soilward settings. Every key is explained in README.md; `soilward check` names every fault at once.
# Temperatures are numbers in Cel, or text with their unit: 18.0 or "65 F".

[site]
name = "My garden"
time_zone = "Europe/Zurich"     # IANA name
latitude = 46.2                 # degrees north
longitude = 8.4                 # degrees east
altitude_m = 640
price_per_kwh = 0.30
currency = "EUR"

[broker]
kind = "embedded"               # a broker on this machine, loopback only; "external" for Mosquitto
port = 1883
# host = "broker.lan"           # with kind = "external"
# username = "soilward"
# password_file = "keys/broker.password"
# ca_file = "keys/ca.crt"       # turns TLS on
# protocol = "5"                # or "3.1.1"

[store]
folder = "soilward-data"        # counted from this file's folder
journal_key_file = "keys/journal.key" # signs the journal's head once a day; keep a copy of keys/journal.pub elsewhere

[web]
host = "127.0.0.1"              # listening further needs a person set up: soilward person add NAME --role operate
port = 8460

[[enclosure]]
name = "tunnel"                 # lower-case letters, digits, hyphens; part of every topic
title = "figs under film"

[enclosure.shape]
kind = "tunnel"                 # tunnel, glasshouse or store
length_m = 6.0
width_m = 0.9
height_m = 0.8
cover = "film"                  # thin film, film, double film, glass, twin-wall, opaque
soil = "loam"                   # sand, loam, clay, peat

[enclosure.heater]
kind = "soil-cable"             # or air-heater
rated_w = 450
depth_m = 0.14                  # of the cable
key_file = "keys/tunnel.key"    # signs every command; the node has a copy

# Limits may only be tighter than the hard ones (soil 40, air 45 and 57, heater surface 70 Cel).
# [enclosure.limits]
# soil_trip = 38.0

# A probe listens on soilward/<enclosure>/probe/<name> unless topic says otherwise.
[[enclosure.probe]]
name = "soil-10"
quantity = "soil"
depth_m = 0.10

[[enclosure.probe]]
name = "air-low"
quantity = "air"
height_m = 0.10

# A foreign sensor that sends JSON in degrees Fahrenheit:
# [[enclosure.probe]]
# name = "air-ridge"
# quantity = "air"
# height_m = 0.70
# topic = "garden/sensor7"
# form = "json"
# pointer = "/temperature"
# unit = "F"

# From each date on, this set point; "off" ends heating. ramp_h spreads the change over hours.
[[enclosure.schedule]]
from = "02-15"
set_point = 12.0
[[enclosure.schedule]]
from = "03-10"
set_point = 16.0
ramp_h = 72
[[enclosure.schedule]]
from = "05-15"
set_point = "off"
"""


def init(settings_file: Path, person: str, password_from_stdin: bool) -> int:
    """Write everything a real site starts from; refuses to overwrite settings.

    Raises
    ------
    SettingsError
        If the file is already there, or the two passwords typed differ; nothing is written then.
    """
    if settings_file.exists():
        raise SettingsError([f"{settings_file}: is already there; move it away, or edit it and run `soilward check`"])
    password = sys.stdin.readline().strip() if password_from_stdin else _ask_password(person)
    settings_file.parent.mkdir(parents=True, exist_ok=True)
    settings_file.write_text(TEMPLATE, encoding="utf-8")
    keys = settings_file.parent / "keys"
    write_private(keys / "tunnel.key", secrets.token_hex(32) + "\n")
    write_private(keys / "journal.key", secrets.token_hex(32) + "\n")
    heads.write_public(keys / "journal.key")
    load(settings_file).store.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    command = [sys.executable, "-m", "api", "person", "add", person, "--role", "operate"]
    command += ["--settings", str(settings_file), "--password-stdin"]
    added = subprocess.run(command, input=password + "\n", text=True, check=False)
    print(f"wrote {settings_file}, keys/tunnel.key and keys/journal.key (both mode 0600)")
    if added.returncode != 0:
        print(f"there is no first person yet: `soilward person add {person} --role operate --settings {settings_file}`")
        return added.returncode
    print("edit the settings, then `soilward check`")
    print("keys/journal.pub checks what journal.key has signed: keep a copy of it elsewhere")
    print("give the node a copy of its key; nobody else needs it")
    return 0


def _ask_password(person: str) -> str:
    first = getpass.getpass(f"password for {person}, 10 to 200 characters: ")
    if getpass.getpass("once more: ") != first:
        raise SettingsError(["the two passwords differ; nothing was written"])
    return first
