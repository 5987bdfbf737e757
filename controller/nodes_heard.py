"""What relay nodes report, taken in: news for the tick, runs for the record, whose epoch they obey, who flaps."""

from collections.abc import Callable, Mapping

from controller.clock import Moment
from controller.epochs import RIVAL, Epoch, Epochs
from controller.keeper import Keeper
from controller.recording import Recording
from controller.reports import is_repeat
from controller.routing import Routing
from controller.safety import limits
from controller.state import NEVER
from controller.wire.flaps import Flaps
from controller.wire.inbox import Message
from controller.wire.relay import WireError, decode_report
from controller.wire.relays import Relays

PUT_BACK = (
    "a relay node has obeyed a start of this controller that the data folder does not know of: if a backup was put "
    "back, what has latched since is forgotten, here too; see that all is well where it heats"
)


class NodesHeard:
    """The nodes of every enclosure as their reports show them.

    Parameters
    ----------
    relays
        Tell our name, as our commands bear it, and the number of the last one to each node.
    overtake
        Lets our epoch rise above the one that an enclosure's node has obeyed.
    """

    def __init__(
        self,
        keepers: Mapping[str, Keeper],
        routing: Routing,
        record: Recording,
        relays: Relays,
        overtake: Callable[[str, int, Moment], None],
    ) -> None:
        self._keepers, self._routing, self._record, self._overtake = keepers, routing, record, overtake
        self._relays = relays
        self._epochs = Epochs()
        self._met_s: dict[str, float] = {}
        self._is_put_back = False
        self._flaps = {name: Flaps() for name in keepers}

    def take(self, name: str, message: Message, epoch: int) -> bool:
        """Take a message on an enclosure's state, while our epoch is this; whether it must be ticked at once."""
        if message.retained:
            return False
        keeper, now = self._keepers[name], message.arrived
        try:
            report = decode_report(message.payload, now)
        except WireError as error:
            self._routing.refuse(name, message, str(error))
            return False
        if report is None:
            if self._flaps[name].lost(now.mono_s):
                self._record.enter("node-offline", name, "the broker says the relay node is gone", now)
            return False
        if is_repeat(report, keeper.heater.newest):
            self._routing.refuse(name, message, "repeated")
            return False
        by_another = report.by not in ("", self._relays.identity)
        # Of a life that the folder has forgotten it refuses ours, up to that life's last number.
        forgotten = report.by == self._relays.identity and report.seq > self._relays.seq_of[name]
        verdict = self._epochs.heard(name, report.epoch, epoch, by_another=by_another or forgotten)
        if verdict is Epoch.OVERTAKE:
            # The folder is every enclosure's, and the others' nodes show nothing once ours has risen.
            self._is_put_back = self._is_put_back or not by_another
            # One that has left this enclosure to us holds no lease, and never took a node that obeyed us.
            if by_another and (report.lease_left_s > 0 or keeper.state.node is not None):
                self._met_s[name] = now.mono_s
            self._overtake(name, report.epoch, now)
        elif verdict is Epoch.RIVAL:
            self._record.enter("second-controller", name, RIVAL, now)
        elif verdict is Epoch.OURS:
            self._record.put_runs(keeper.heater.take(report, keeper.state.why_open))
            keeper.reports.append(report)
            return keeper.state.may_be_closed or report.is_news
        elif report.on and self.is_anothers(name):
            # Another's heat is heat: what it warms is not warm unasked.
            keeper.state.heat_s = now.mono_s
        return False

    def is_anothers(self, name: str) -> bool:
        """Whether an enclosure's node is commanded by another controller, which we fight no more."""
        return name in self._epochs.rivals

    def notes(self, name: str, now_s: float) -> list[tuple[str, str]]:
        """Return what people should know of an enclosure's node, by the alert's name."""
        notes = []
        if self._flaps[name].is_flapping(now_s):
            notes.append(("node-flaps", "the relay node loses the broker again and again; look at its network"))
        met = now_s - self._met_s.get(name, NEVER) <= limits.AFFRONT_REMEMBERED_S
        if met or self.is_anothers(name):
            notes.append(("second-controller", RIVAL))
        if self._is_put_back:
            notes.append(("put-back", PUT_BACK))
        return notes
