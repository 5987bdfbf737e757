"""The one door to influxdb_client: points out to a store elsewhere, told apart by what would help.

InfluxDB 2 and 3 and VictoriaMetrics take the same write call (`/api/v2/write`, line protocol).
"""

import logging
import re
from collections.abc import Sequence
from dataclasses import dataclass

from influxdb_client import InfluxDBClient, Point, WritePrecision
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from controller.errors import SettingsError, SoilwardError
from controller.settings import Elsewhere, Remote, RemoteKind

log = logging.getLogger("soilward.forwarder")
TIMEOUT_MS = 20_000
"""[ms] patience with one call. Source: engineering judgement."""
_TAKEN = 204
"""What all of these stores answer once they have what was sent; a page to sign in on comes with 200."""
_MALFORMED = 400
ENOUGH_REFUSED = 8
"""Points called malformed one after the other, none taken: the last of the batch is tried, and then no more of it.
Source: engineering judgement."""
_POINTS_AT_FAULT = frozenset({_MALFORMED, 413, 422})
"""Statuses by which these stores refuse what is in a batch, or its size; all others are about us or about them."""
_DROPPED = re.compile(r"partial write: .*dropped=(\d+)", re.DOTALL)
"""How InfluxDB tells, by 422 and before by 400 or 500, that it has kept a batch but for so many of its points."""


class RemoteError(SoilwardError):
    """The store elsewhere did not take what was sent; nothing is lost, it is sent again."""


@dataclass(slots=True)
class _Batch:
    """What has become of a batch so far: points taken, points refused."""

    points: Sequence[Point]
    taken: int = 0
    refused: int = 0

    @property
    def looks_hopeless(self) -> bool:
        """Whether all that was tried was refused, and enough was tried; one that is alone waits for company."""
        return not self.taken and self.refused >= min(ENOUGH_REFUSED, len(self.points))


class RemoteWriter:
    """Sends points, all of a batch or (by its own account) none.

    Parameters
    ----------
    remote
        Where to, from settings.

    Raises
    ------
    SettingsError
        If the token cannot be read.
    """

    def __init__(self, remote: Remote) -> None:
        self._remote, self.refused = remote, 0
        self._client = InfluxDBClient(
            url=remote.url, token=token_of(remote), org=remote.organisation or "-", timeout=TIMEOUT_MS, enable_gzip=True
        )
        self._write = self._client.write_api(write_options=SYNCHRONOUS)

    def send(self, points: Sequence[Point]) -> None:
        """Send points; one that the store will never take is left out, counted in `refused`, and not tried again.

        Raises
        ------
        RemoteError
            If the store cannot be reached, does not let us in, or calls every point malformed: ours are alike, so
            then it is something else that answers.
        """
        try:
            # Read anew each time: whoever is told that it is wrong writes the right one, and need not start us again.
            self._client.api_client.set_default_header("Authorization", authorization(self._remote))
        except SettingsError as error:
            raise RemoteError(str(error)) from error
        batch = _Batch(points)
        self._send(points, batch)
        self.refused += batch.refused
        if batch.refused > ENOUGH_REFUSED:
            log.warning("%s will never take %d of %d points", self._remote.url, batch.refused, len(points))

    def _send(self, points: Sequence[Point], batch: _Batch) -> None:
        if not points:
            return
        fault = self._fault_of(points)
        dropped = 0 if fault is None else _dropped(fault)
        if fault is None or dropped:
            batch.taken += len(points) - dropped
            batch.refused += dropped
            if fault is not None:
                log.warning("%s will not take all: %s", self._remote.url, fault.message)
        elif len(points) > 1:
            middle = len(points) // 2
            self._send(points[:middle], batch)
            self._send(points[middle:], batch)
        else:
            batch.refused += 1
            if batch.refused <= ENOUGH_REFUSED:
                log.warning("%s will never take %s: %s", self._remote.url, points[0], fault.message or fault.reason)
            if fault.status == _MALFORMED and batch.looks_hopeless:
                self._try_last(batch)

    def _try_last(self, batch: _Batch) -> None:
        if self._fault_of(batch.points[-1:]) is not None:
            raise RemoteError(
                f"{self._remote.url} answered {_MALFORMED} to every point tried; {_ITSELF} and remote.kind what it is"
            )
        batch.taken += 1

    def _fault_of(self, points: Sequence[Point]) -> ApiException | None:
        """Write points; return None if all were taken, else the answer by which the store finds fault with them."""
        try:
            self._write.write(bucket=self._remote.bucket, record=points, write_precision=WritePrecision.NS)
            status = self._client.api_client.last_response.status
        except ApiException as error:
            if error.status in _POINTS_AT_FAULT or _dropped(error):
                return error
            answered = f"answered {error.status}" if error.status else "cannot be reached"
            raise RemoteError(f"{self._remote.url} {answered}: {_why(error)}") from error
        except (HTTPError, OSError) as error:
            raise RemoteError(f"{self._remote.url} cannot be reached: {type(error).__name__}") from error
        except UnicodeDecodeError as error:
            # Of an answer that is no UTF-8 the client does not even tell the status.
            raise RemoteError(f"{self._remote.url} did not answer as a store does; {_ITSELF}") from error
        if status != _TAKEN:
            raise RemoteError(f"{self._remote.url} answered {status}, not {_TAKEN} as a store does; {_ITSELF}")
        return None

    def close(self) -> None:
        """Let the connection go."""
        self._write.close()
        self._client.close()


def _dropped(fault: ApiException) -> int:
    """Return how many points of a batch alone a store has not kept, where it says so."""
    found = _DROPPED.search(str(fault.message))
    return 0 if found is None else int(found[1])


def authorization(remote: Elsewhere) -> str:
    """Return the header by which the store lets us in; what stands before a VictoriaMetrics knows bearers alone.

    Raises
    ------
    SettingsError
        If the token's file cannot be read.
    """
    return f"{'Bearer' if remote.kind is RemoteKind.VICTORIA_METRICS else 'Token'} {token_of(remote)}"


def token_of(remote: Elsewhere) -> str:
    """Return the token, or a stand-in where the store wants none.

    Raises
    ------
    SettingsError
        If its file cannot be read.
    """
    if remote.token_file is None:
        return "none"
    try:
        token = remote.token_file.read_text(encoding="utf-8-sig").strip()
        token.encode("ascii")
    except (OSError, UnicodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is no plain text"
        raise SettingsError(
            [f"remote.token_file: {remote.token_file} cannot be read ({why}); write the token into it"]
        ) from error
    return token


_ITSELF = "see that remote.url is the store itself"
_WHY = {
    # The client's own number for what ends before any answer.
    0: "no secure connection; see that https is served there, with a certificate that is trusted here",
    **dict.fromkeys((301, 302, 303, 307, 308), f"it sends us elsewhere; {_ITSELF}"),
    401: "the token is wrong; write the right one into remote.token_file",
    403: "the token may not write there; give it the right to write the bucket",
    404: "there is no such bucket or organisation; create it or correct remote.bucket",
    429: "too much at once; tried again later",
}


def _why(error: ApiException) -> str:
    return _WHY.get(int(error.status or 0), str(error.reason or "no reason given"))
