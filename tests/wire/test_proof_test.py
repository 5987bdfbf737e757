"""`soilward proof-test` against the simulated node over a real broker, with a scripted person: what passes, what fails.

Every test run waits for leases, so all of them are begun together and each test looks at its own.
"""

import json
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from controller import standing
from controller.clock import Clock
from controller.enclosure_settings import HeaterKind
from controller.errors import SoilwardError, StoreError
from controller.load_settings import load
from controller.node import simulated
from controller.node.relay_core import RelayCore
from controller.node.simulated import SimulatedNode
from controller.proving import losses
from controller.proving.account import Account, Outcome, Result, from_entry
from controller.proving.bench import Patience
from controller.proving.command import Asked, prove
from controller.proving.commissioned import answer_in
from controller.proving.sequence import NAMES
from controller.standing import Standing
from controller.store import journal
from controller.store.connection import Lock, open_reader
from tests.wire.kit import PROBES, Mosquitto, through, write_site
from tests.wire.link import Link

pytestmark = pytest.mark.xdist_group("proof-test")

DEEPER = """
[[enclosure.probe]]
name = "soil-25"
quantity = "soil"
depth_m = 0.25
period_s = 1
"""
LEASE_S = 6.0
SHORT = Patience(node_s=60.0, heat_s=20.0, pulse_s=15.0, warm_s=15.0, back_s=20.0, leases=2)


@dataclass(slots=True)
class QuickSoil:
    """Soil in which the heater warms one probe, by `rate` [K/s], as soon as it is on."""

    warms: str = "soil-10"
    rate: float = 0.0
    values: dict[str, float] = field(
        default_factory=lambda: {"soil-10": 15.0, "soil-25": 14.0, "air-low": 8.0, "cable": 16.0, "outside": 2.0}
    )
    energy_j: float = 0.0

    def advance(self, seconds: float, heater_on: bool) -> None:
        """Let time pass."""
        if heater_on:
            self.values[self.warms] += self.rate * seconds

    def probes(self) -> dict[str, float]:
        """Return the values."""
        return dict(self.values)


class LongLease(RelayCore):
    """A node that holds its contacts for as long as it likes."""

    def advance(self, now_s: float) -> bool:
        """Let no lease end."""
        if self.on:
            self.lease_ends_s = now_s + LEASE_S
        return super().advance(now_s)


class Site:
    """A broker, a node behind a link that can be cut, and a folder no controller holds."""

    def __init__(self, folder: Path, lease_s: float = LEASE_S) -> None:
        self.broker = Mosquitto(folder / "broker")
        self.broker.start()
        self.link = Link(self.broker.port)
        self.file = write_site(folder, self.broker.port, probes=PROBES + DEEPER, lease_s=lease_s)
        self.settings = load(self.file)
        self.plant = QuickSoil()
        reached = through(self.settings, self.link.port)
        self.node = SimulatedNode(reached, reached.enclosure[0], self.plant, Clock())
        self.circuit = self.node.board.circuit
        self.drops_at_the_end = self.on_at_the_end = -1

    def hold_leases(self) -> None:
        """Have the node ignore the end of a lease."""
        guard = self.node.board.guard
        guard.core = LongLease(guard.core.key)

    def fit_air_heater(self) -> None:
        """Let it heat the air, not the soil."""
        (larch,) = self.settings.enclosure
        heater = larch.heater.model_copy(update={"kind": HeaterKind.AIR_HEATER, "depth_m": None})
        changed = larch.model_copy(update={"heater": heater})
        self.settings = self.settings.model_copy(update={"enclosure": (changed,)})
        self.plant.warms = "air-low"

    def lose_sensor(self) -> None:
        """Have the node sense no current: what flows is then found by the step's own criterion, not by the node."""
        self.node.board._rated_a = None
        self.node.board._boot(self.node.clock.now().mono_s)

    def reboot(self) -> None:
        """Switch the node's own supply off and on."""
        now_s = self.node.clock.now().mono_s
        self.node.board.lose_mains(now_s)
        self.node.board.regain_mains(now_s)

    def weld(self) -> None:
        """Let neither contact open any more."""
        self.circuit.k1.welded = self.circuit.k2.welded = True

    def prove(
        self, person: "Hands", only: tuple[str, ...] = (), patience: Patience = SHORT, **asked: object
    ) -> Account:
        """Run the proof test as the command does."""
        self.node.start()
        try:
            return self.walk(person, only, patience, **asked)
        finally:
            self.close()

    def walk(self, person: "Hands", only: tuple[str, ...] = (), patience: Patience = SHORT, **asked: object) -> Account:
        """The same with a node that runs, and runs on."""
        wanted = Asked("larch", "keeper", "a test", only, patience=patience, **asked)  # type: ignore[arg-type]
        return prove(self.settings, self.file, wanted, person, Clock())

    def close(self) -> None:
        """End everything, once the last order on its way has come; long before a lease would end."""
        end_s = time.monotonic() + 2.0
        while self.node.core.on and time.monotonic() < end_s:
            time.sleep(0.1)
        self.drops_at_the_end, self.on_at_the_end = self.node.core.drops, self.node.core.on
        self.node.stop()
        self.link.close()
        self.broker.stop()

    @property
    def standing(self) -> Standing:
        """What is kept of the enclosure."""
        file = self.settings.store.folder / "standing.json"
        return standing.from_text(file.read_text(encoding="utf-8")).enclosures["larch"]

    def entries(self, kind: str) -> list[journal.StoredEntry]:
        """Return the journal's entries of a kind."""
        connection = open_reader(self.settings.store.folder / "journal.db")
        try:
            return journal.read(connection, "larch", kind)
        finally:
            connection.close()


class Hands:
    """A person who does at once what they are told; `instead` replaces what they do by the beginning of a task."""

    def __init__(self, site: Site, **instead: Callable[[], None]) -> None:
        self.site, self.told = site, list[str]()
        self._does: dict[str, Callable[[], None]] = {
            "Pull": site.link.cut,
            "Put": site.link.mend,
            "Warm": lambda: site.node.override.update({"soil-10": site.plant.values["soil-10"] + 1.3}),
            "Let": site.node.override.clear,
            "Uncover": lambda: None,
            "'soil-10'": lambda: setattr(site.plant, "rate", 0.1),
            "7": lambda: setattr(site.plant, "rate", 0.0),
            "Switch": site.reboot,
            **instead,
        }

    def tell(self, words: str) -> None:
        """Hear it, and do it."""
        self.told.append(words)
        for begins, does in self._does.items():
            if words.strip(" >\n").startswith(begins):
                does()

    def do(self, task: str, meanwhile: Callable[[], None]) -> None:
        """Do it and say so."""
        self.tell(task)
        meanwhile()

    def figure(self, question: str, meanwhile: Callable[[], None]) -> float:
        """Read the clamp meter: it shows what flows."""
        meanwhile()
        self.told.append(question)
        return self.site.circuit.amps


@dataclass(frozen=True, slots=True)
class Run:
    """What became of a proof test."""

    site: Site
    person: Hands
    account: Account

    def step(self, name: str) -> Outcome:
        """Return one step's outcome."""
        return next(each for each in self.account.outcomes if each.step == name)


def everything(site: Site) -> Run:
    """Nothing is wrong."""
    person = Hands(site)
    return Run(site, person, site.prove(person, new_relay=True))


def twice(site: Site) -> Run:
    """A node that has already proved itself today, and steps left out."""
    site.node.board.guard.proof.begin(False, 0.0)
    site.node.board.guard.proof.stands = type(site.node.board.guard.proof.stands).PASSED
    person = Hands(site)
    return Run(site, person, site.prove(person, ("node", "contact", "k2"), skip=("contact",)))


def unsensed(site: Site) -> Run:
    """A node without a current sensor."""
    site.lose_sensor()
    person = Hands(site)
    return Run(site, person, site.prove(person, ("node", "current")))


def not_following(site: Site) -> Run:
    """K1's coil breaks after the node has proved it, and its auxiliary contact shows it."""
    site.circuit.has_aux = True
    person = Hands(site, **{"2 of 9": lambda: setattr(site.circuit.k1, "coil_open", True)})
    return Run(site, person, site.prove(person, ("node", "contact", "current")))


def welded(site: Site) -> Run:
    """K2 never opens."""
    site.circuit.k2.welded = True
    person = Hands(site)
    return Run(site, person, site.prove(person, ("node",)))


def welded_later(site: Site) -> Run:
    """K1 welds after the node has proved it."""
    person = Hands(site, **{"2 of 9": lambda: setattr(site.circuit.k1, "welded", True)})
    return Run(site, person, site.prove(person, ("node", "contact", "current")))


def both_welded_later(site: Site) -> Run:
    """K1 and K2 weld after they have worked."""
    site.lose_sensor()
    person = Hands(site, **{"4 of 9": site.weld})
    return Run(site, person, site.prove(person, ("node", "k2", "lease")))


def over_and_still_on(site: Site) -> Run:
    """The limit is passed while both contacts have just welded."""
    site.lose_sensor()

    def warm() -> None:
        site.weld()
        site.node.override["soil-10"] = site.plant.values["soil-10"] + 1.3

    person = Hands(site, Warm=warm)
    return Run(site, person, site.prove(person, ("node", "over-limit")))


def cut_survived(site: Site) -> Run:
    """Cut off, the contact outlasts its lease."""
    site.hold_leases()
    person = Hands(site)
    return Run(site, person, site.prove(person, ("node", "broker-cut")))


def no_current(site: Site) -> Run:
    """The heater's own cut-out is open."""
    site.circuit.load.cut_out = True
    person = Hands(site)
    return Run(site, person, site.prove(person, ("node", "current")))


def lease_ignored(site: Site) -> Run:
    """The contact outlasts its lease."""
    site.hold_leases()
    person = Hands(site)
    return Run(site, person, site.prove(person, ("node", "lease")))


def kill_survived(site: Site) -> Run:
    """The contact outlasts its controller."""
    site.hold_leases()
    person = Hands(site)
    return Run(site, person, site.prove(person, ("node", "controller-kill")))


def wrong_probe(site: Site) -> Run:
    """The deeper probe answers, not the one nearest to the cable."""
    site.plant.warms = "soil-25"
    person = Hands(site)
    return Run(site, person, site.prove(person, ("node", "heat-pulse")))


def no_answer(site: Site) -> Run:
    """Nothing answers."""
    person = Hands(site, **{"'soil-10'": lambda: None})
    return Run(site, person, site.prove(person, ("node", "heat-pulse")))


def air_heated(site: Site) -> Run:
    """An air heater that warms its air by 6 K a minute."""
    site.fit_air_heater()
    person = Hands(site, **{"'air-low'": lambda: setattr(site.plant, "rate", 0.1)})
    patience = replace(SHORT, slope_s=60.0)
    return Run(site, person, site.prove(person, ("node", "current", "heat-pulse"), patience))


def air_too_quick(site: Site) -> Run:
    """An air heater that warms its air by 18 K a minute."""
    site.fit_air_heater()
    person = Hands(site, **{"'air-low'": lambda: setattr(site.plant, "rate", 0.3)})
    return Run(site, person, site.prove(person, ("node", "heat-pulse"), replace(SHORT, slope_s=90.0)))


def not_warmed(site: Site) -> Run:
    """The person warms no probe."""
    person = Hands(site, Warm=lambda: None)
    return Run(site, person, site.prove(person, ("node", "over-limit")))


def not_cut(site: Site) -> Run:
    """The person says that the network is cut, and it is not."""
    person = Hands(site, Pull=lambda: None, Put=lambda: None)
    return Run(site, person, site.prove(person, ("node", "broker-cut")))


def really_hot(site: Site) -> Run:
    """During the pulse the soil really passes its limit."""
    person = Hands(site, **{"'soil-10'": lambda: site.node.override.update({"soil-10": 46.0})})
    return Run(site, person, site.prove(person, ("node", "heat-pulse", "broker-cut")))


def interrupted(site: Site) -> Run:
    """Ctrl-C while the contact is closed."""

    def stop() -> None:
        assert site.node.core.on
        raise KeyboardInterrupt

    person = Hands(site, Pull=stop)
    return Run(site, person, site.prove(person, ("node", "broker-cut")))


def cut_off_and_interrupted(site: Site) -> Run:
    """Ctrl-C while the node is cut off, its contact closed: no order reaches it, and no word of it comes."""

    def stop() -> None:
        site.link.cut()
        raise KeyboardInterrupt

    person = Hands(site, Pull=stop)
    return Run(site, person, site.prove(person, ("node", "broker-cut")))


def broken(site: Site) -> Run:
    """The program itself fails while the contact is closed."""

    def fail() -> None:
        assert site.node.core.on
        raise ZeroDivisionError

    person = Hands(site, Pull=fail)
    with pytest.raises(ZeroDivisionError):
        site.prove(person, ("node", "broker-cut"))
    account = from_entry(site.entries("proof-test")[0])
    assert account is not None
    return Run(site, person, account)


SCENARIOS: tuple[Callable[[Site], Run], ...] = (
    everything, twice, unsensed, not_following, welded, welded_later,
    both_welded_later, over_and_still_on, cut_survived, no_current, lease_ignored, kill_survived, wrong_probe,
    no_answer, air_heated, air_too_quick, not_warmed, not_cut, really_hot, interrupted, cut_off_and_interrupted,
    broken,
)  # fmt: skip


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[Callable[[Site], Run]], Run]]:
    """Begin every scenario; give the finished one asked for. The nodes report twice a second: no test waits for it."""
    usual, simulated.REPORT_EVERY_S = simulated.REPORT_EVERY_S, 0.5
    with ThreadPoolExecutor(len(SCENARIOS)) as pool:
        begun: dict[str, Future[Run]] = {}
        for each in SCENARIOS:
            folder = tmp_path_factory.mktemp(each.__name__)
            begun[each.__name__] = pool.submit(lambda scenario=each, at=folder: scenario(Site(at)))  # type: ignore[misc]
        yield lambda scenario: begun[scenario.__name__].result(150.0)
    simulated.REPORT_EVERY_S = usual


Runs = Callable[[Callable[[Site], Run]], Run]


def test_a_sound_installation_passes_every_step_and_its_date_is_kept(runs: Runs) -> None:
    """Nine steps, each with its figure within its bound; the date and the new relay stand in the standing orders."""
    run = runs(everything)
    assert [each.result for each in run.account.outcomes] == [Result.PASSED] * 9, run.account.said
    kept = run.site.standing
    assert kept.proved_ms == run.account.at_ms
    assert kept.fitted_at == kept.closings >= 8
    assert not kept.armed
    assert not run.site.on_at_the_end


def test_every_figure_goes_to_the_journal_in_one_entry(runs: Runs) -> None:
    """Who, why, each lease time, the current and the lag of the pulse."""
    (entry,) = runs(everything).site.entries("proof-test")
    assert (entry.who, entry.why, entry.body["result"]) == ("keeper", "a test", "passed")
    steps = {each["step"]: each["figures"] for each in json.loads(json.dumps(entry.body))["steps"]}
    assert tuple(steps) == NAMES
    times_s = [steps["lease"][f"time_{number}_s"] for number in (1, 2)]
    assert all(LEASE_S - 1.0 <= each <= LEASE_S + 2.0 for each in times_s)
    assert steps["current"]["on_a"] == pytest.approx(2.0)
    assert steps["heat-pulse"]["lag_s"] > 0
    assert steps["controller-kill"]["opened_after_s"] <= LEASE_S + 2.0
    assert steps["over-limit"]["opened_after_s"] <= 2.0


def test_of_an_air_heater_the_steepest_minute_is_measured_and_tightens_the_limit(runs: Runs) -> None:
    """E04: with the heater on for a minute after its answer; what is too much follows from it at the next start."""
    run = runs(air_heated)
    outcome = run.step("heat-pulse")
    assert outcome.result is Result.PASSED, outcome.said
    assert outcome.figures["slope_k_per_min"] == pytest.approx(6.0, abs=0.5)
    assert "slope_k_per_min" not in runs(everything).step("heat-pulse").figures
    answer = answer_in(run.account)
    assert answer is not None
    assert answer.slope_k_per_min == outcome.figures["slope_k_per_min"]
    assert answer.rated_a == pytest.approx(2.0)


def test_the_rehearsed_trip_is_not_left_latched(runs: Runs) -> None:
    """It stands in the account alone: no trip in the journal, none in the standing orders."""
    run = runs(everything)
    assert run.step("over-limit").result is Result.PASSED
    assert run.site.standing.trips == ()
    assert run.site.entries("trip") == []


def test_a_proof_of_this_morning_does_not_count_and_a_step_left_out_is_not_passed(runs: Runs) -> None:
    """The node must be booted so that it proves its contacts anew; no date is kept for a part of the test."""
    run = runs(twice)
    assert any(words.startswith("Switch the node's own supply off") for words in run.person.told)
    assert (run.step("node").result, run.step("k2").result) == (Result.PASSED, Result.PASSED)
    assert (run.step("contact").result, run.account.result) == (Result.SKIPPED, Result.INCOMPLETE)
    assert run.site.standing.proved_ms is None


def test_without_a_current_sensor_the_person_reads_a_meter(runs: Runs) -> None:
    """The proof is not possible, a sensor is recommended, and the current is asked for."""
    run = runs(unsensed)
    assert run.step("node").result is Result.PASSED
    assert "fit one" in run.step("node").said
    assert run.step("current").figures["on_a"] == pytest.approx(2.0)
    assert sum("clamp meter" in words for words in run.person.told) == 2


@pytest.mark.parametrize(
    ("scenario", "step", "said"),
    [
        (not_following, "contact", "K1 does not do what it is told"),
        (welded, "node", "K2"),
        (welded_later, "contact", "current flows though K1 is told to open"),
        (both_welded_later, "k2", "2.00 A"),
        (over_and_still_on, "over-limit", "2.00 A"),
        (cut_survived, "broker-cut", "lapsed leases"),
        (no_current, "current", "0.00 A on"),
        (lease_ignored, "lease", "bound 8 s"),
        (kill_survived, "controller-kill", "ISOLATE"),
        (wrong_probe, "heat-pulse", "'soil-25' of larch rose"),
        (no_answer, "heat-pulse", "'soil-10' rose 0.00 K"),
        (air_too_quick, "heat-pulse", "limit 8.33 K a minute"),
        (not_warmed, "over-limit", "did not pass 16.0 Cel in time"),
        (not_cut, "broker-cut", "was it really cut off"),
        (really_hot, "heat-pulse", "46.0 Cel"),
    ],
)
def test_a_fault_fails_its_step_in_words_and_ends_the_test(
    runs: Runs, scenario: Callable[[Site], Run], step: str, said: str
) -> None:
    """The step that looks for it fails, and alone; nothing after it is tried; no date is kept; the heat is off."""
    run = runs(scenario)
    outcome = run.step(step)
    assert outcome.result is Result.FAILED, run.account.said
    assert said in outcome.said
    results = [each.result for each in run.account.outcomes]
    assert results.count(Result.FAILED) == 1
    assert Result.PASSED not in results[results.index(Result.FAILED) :]
    (entry,) = run.site.entries("proof-test")
    assert entry.body["result"] == "failed"
    assert run.site.standing.proved_ms is None
    assert not run.site.on_at_the_end


def test_the_real_limits_stay_in_force(runs: Runs) -> None:
    """Soil at 46 Cel latches as ever: opened by order and not by lease, kept over the end of the test, journalled."""
    run = runs(really_hot)
    assert [each.name for each in run.site.standing.trips] == ["soil-over:soil-10"]
    assert len(run.site.entries("trip")) == 1
    assert run.site.drops_at_the_end == 0


@pytest.mark.parametrize("scenario", [interrupted, broken])
def test_ctrl_c_and_a_fault_of_the_program_open_the_contact_at_once_and_are_journalled(
    runs: Runs, scenario: Callable[[Site], Run]
) -> None:
    """Opened by order: no lease had to run out."""
    run = runs(scenario)
    assert run.account.result is Result.ABORTED
    assert (run.site.on_at_the_end, run.site.drops_at_the_end) == (False, 0)
    (entry,) = run.site.entries("proof-test")
    assert entry.body["result"] == "aborted"
    assert run.site.standing.proved_ms is None


def test_a_contact_that_is_not_reported_open_at_the_end_is_told(runs: Runs) -> None:
    """Whoever is beside the heater must not believe that it is off; with the contact open nothing is told."""
    assert runs(cut_off_and_interrupted).person.told[-1].endswith("ISOLATE THE HEATER")
    assert runs(cut_off_and_interrupted).account.result is Result.ABORTED
    assert not any("ISOLATE THE HEATER" in each for each in runs(interrupted).person.told[-2:])


def _refused(tmp_path: Path, **asked: object) -> str:
    file = write_site(tmp_path, 1)
    wanted = Asked(**{"enclosure": "larch", "who": "keeper", "why": "a test", **asked})  # type: ignore[arg-type]
    with pytest.raises(SoilwardError) as error:
        prove(load(file), file, wanted, None, Clock())  # type: ignore[arg-type]
    return str(error.value)


def test_it_does_not_begin_beside_a_controller(tmp_path: Path) -> None:
    """Whoever commands the node must be alone; the remedy is named."""
    (tmp_path / "data").mkdir()
    held = Lock(tmp_path / "data" / "controller.db")
    assert "stop `soilward run` first" in _refused(tmp_path)
    held.release()


def test_a_name_that_is_none_is_refused_with_those_there_are(tmp_path: Path) -> None:
    """Enclosure and steps."""
    assert "there are: larch" in _refused(tmp_path, enclosure="elder")
    assert "the steps are: node, contact" in _refused(tmp_path, skip=("contacts",))


def test_the_instructions_name_what_is_to_be_pulled() -> None:
    """Pulling the node's power proves another thing."""
    assert "Not the node's own power" in losses.PULL
    assert issubclass(StoreError, SoilwardError)
