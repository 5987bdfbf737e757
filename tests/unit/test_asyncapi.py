"""The printed wire contract is the wire that the code speaks."""

import json
import tomllib
from pathlib import Path

import pytest

from controller.clock import Clock, Moment
from controller.demo import scenario
from controller.load_settings import check
from controller.routing import Routing
from controller.safety.lease import Order
from controller.wire.asyncapi import COMMAND, STATE, document
from controller.wire.presence import Presence
from controller.wire.reader_test import Trial
from controller.wire.relay import WireError, decode_report, encode_command, encode_report

SITE = check(tomllib.loads(scenario.settings_text(1883, 8460)), Path("soilward.toml"))
HEARD = Moment(0.0, 0)


def test_every_topic_the_controller_hears_is_in_the_document() -> None:
    """The channels received are exactly the topics subscribed to."""
    page = document(SITE)
    heard = {
        page["channels"][each["channel"]["$ref"].rpartition("/")[2]]["address"]
        for key, each in page["operations"].items()
        if each["action"] == "receive" and not key.endswith("-command-heard")
    }
    presence = Presence(SITE.broker.root, "soilward-controller", Clock())
    assert heard == {*Routing(SITE).probe_topics, *Routing(SITE).state_topics, presence.canary_topic}


def test_presence_and_the_access_lists_trial_are_in_the_document(tmp_path: Path) -> None:
    """What the controller says of itself, and, with a second account, that it hears its own commands."""
    presence = Presence(SITE.broker.root, "soilward-controller", Clock())
    channels = document(SITE)["channels"]
    assert [channels[key]["address"] for key in ("presence", "canary")] == [presence.topic, presence.canary_topic]
    alone = SITE.model_copy(update={"broker": SITE.broker.model_copy(update={"read_username": None})})
    assert "larch-command-heard" not in document(alone)["operations"]
    word = tmp_path / "word"
    word.write_text("secret")
    broker = SITE.broker.model_copy(
        update={"password_file": word, "read_username": "reader", "read_password_file": word}
    )
    trial = Trial(SITE.model_copy(update={"broker": broker}), HEARD, presence.canary_topic)
    page = document(SITE.model_copy(update={"broker": broker}))
    keys = [key for key in page["operations"] if key.endswith("-command-heard")]
    assert [page["channels"][key.removesuffix("-heard")]["address"] for key in keys] == trial._topics


def test_a_command_and_a_report_carry_exactly_the_documented_fields() -> None:
    """A field added to the code and not to the contract, or the other way, is noticed."""
    command = json.loads(encode_command(Order(True, True, ""), 15.0, 1, 2, 0, "controller", b"key"))
    assert set(command) == set(COMMAND["properties"])
    report = encode_report(True, True, 1, 2, 3.0, None, 0, 9.0)
    assert set(json.loads(report)) == set(STATE["properties"])
    assert decode_report(json.dumps({key: json.loads(report)[key] for key in STATE["required"]}).encode(), HEARD)
    assert decode_report(report, HEARD) is not None


def test_what_may_be_left_out_of_a_report_is_documented_so() -> None:
    """A node without the newer fields is heard; without any other it is not."""
    report = json.loads(encode_report(True, True, 1, 2, 3.0, None, 0, 9.0))
    optional = {"faults", "notices", "refused", "limits", "boots", "proof", "by"}
    assert set(STATE["required"]) == set(report) - optional
    for name in set(report) - {"amps"}:
        payload = json.dumps({key: value for key, value in report.items() if key != name}).encode()
        if name in optional:
            assert decode_report(payload, HEARD) is not None
        else:
            with pytest.raises(WireError, match=f"bad-{name}"):
                decode_report(payload, HEARD)


def test_commands_are_never_documented_as_retained() -> None:
    """Only the status is, and what the controller says of itself."""
    page = document(SITE)
    kept = {key for key, each in page["operations"].items() if each["bindings"]["mqtt"]["retain"]}
    assert kept == {"larch-status", "elder-status", "southwall-status", "presence", "canary"}
