"""Reading back from VictoriaMetrics: PromQL for series, its export for what must come exactly as it was written."""

import json
import re
from collections.abc import Iterator, Sequence
from typing import Any

import urllib3

from api.review.kept import Kept, KeptError, Last, Run, allowed, entry_of
from controller.settings import Elsewhere
from controller.store.journal import StoredEntry
from controller.store.readings import Bucket, ProbeSeries, borders
from controller.store.remote import TIMEOUT_MS, token_of

DAY_S = 86_400
RECENT_S = 900
MOST_NAMED = 100
"""Sites named in one question: what stands before a store may take no longer addresses than 8 kB."""
MOST_SAID = 600
"""[character] of what the store has to say."""
_BEGINNING_S = "1"
BACK_MS = 3_600_000
"""[ms] Series are asked as of an hour ago, for an hour later: in place of its newest buckets, of the last half minute,
the store would give the one before them once more.
"""


class Victoria(Kept):
    """A VictoriaMetrics, single or the query side of a cluster.

    Parameters
    ----------
    remote
        Its address, and a bearer token if it stands behind something that asks for one.
    """

    def __init__(self, remote: Elsewhere) -> None:
        token_of(remote)  # one that cannot be read is told at the start
        self._remote, self._url = remote, remote.url.rstrip("/")
        self._pool = urllib3.PoolManager(timeout=TIMEOUT_MS / 1000, retries=False)

    def enclosures(self, site: str | None = None, enclosure: str | None = None) -> list[tuple[str, str]]:
        found = self._json("series", {"match[]": _readings_of(site, enclosure), "start": _BEGINNING_S})
        return sorted({(each["site"], each["enclosure"]) for each in found})

    def latest(self, now_ms: int, site: str | None = None, enclosure: str | None = None) -> list[Last]:
        chosen = _readings_of(site, enclosure)
        at = {"time": _s(now_ms), "nocache": "1"}
        values = self._json("query", {**at, "query": f"last_over_time({chosen}[{DAY_S}s])"})["result"]
        times = self._json("query", {**at, "query": f"tlast_over_time({chosen}[{DAY_S}s])"})["result"]
        said_s = {_key(each["metric"]): float(each["value"][1]) for each in times}
        newest: dict[tuple[str, ...], Last] = {}
        for each in values:
            told = each["metric"]
            at_ms = round(said_s.get(_key(told), 0.0) * 1000)
            last = Last(told["site"], told["enclosure"], *_names(told), float(each["value"][1]), at_ms)
            place = (last.site, last.enclosure, last.probe)
            if place not in newest or newest[place].at_ms < at_ms:
                newest[place] = last
        return [newest[name] for name in sorted(newest)]

    def heard(self, now_ms: int, places: Sequence[tuple[str, str]]) -> dict[tuple[str, str], int]:
        # To look through a day of all takes six times as long: it is asked only of sites where somebody is silent.
        found = self._heard(now_ms, RECENT_S, 'site!=""')
        silent = {json.dumps(re.escape(place[0]))[1:-1] for place in places if place not in found}
        if silent:
            these = f'site=~"{"|".join(sorted(silent))}"' if len(silent) <= MOST_NAMED else 'site!=""'
            found |= self._heard(now_ms, DAY_S, these)
        return found

    def _heard(self, now_ms: int, span_s: int, sites: str) -> dict[tuple[str, str], int]:
        chosen = f'reading_value{{{sites},enclosure!="",probe!="",grade!="refused"}}'
        asked = f"max(tlast_over_time({chosen}[{span_s}s])) by (site, enclosure)"
        found = self._json("query", {"time": _s(now_ms), "nocache": "1", "query": asked})["result"]
        return {
            (each["metric"]["site"], each["metric"]["enclosure"]): round(float(each["value"][1]) * 1000)
            for each in found
        }

    def series(self, site: str, enclosure: str, start_ms: int, end_ms: int, points: int) -> list[ProbeSeries]:
        lie = borders(start_ms, end_ms, points)
        first_ms, width_ms = lie.first_ms, lie.width_ms
        span, chosen = f"[{width_ms}ms] offset -{BACK_MS}ms", _readings_of(site, enclosure)
        by = "by (probe, quantity, unit)"
        asked = {
            "least": f"min(min_over_time({chosen}{span})) {by}",
            "most": f"max(max_over_time({chosen}{span})) {by}",
            "total": f"sum(sum_over_time({chosen}{span})) {by}",
            "count": f"sum(count_over_time({chosen}{span})) {by}",
        }
        # A value at t speaks for (t - width, t]; asked a millisecond before each bucket's end it is [start, end).
        last_ms = first_ms + ((end_ms - first_ms - 1) // width_ms) * width_ms + width_ms - 1
        asked_ms = (first_ms + width_ms - 1 - BACK_MS, last_ms - BACK_MS)
        times = {"start": _s(asked_ms[0]), "end": _s(asked_ms[1]), "step": f"{width_ms}ms", "nocache": "1"}
        found = {name: self._range(query, times) for name, query in asked.items()}
        result = []
        for key, least in sorted(found["least"].items()):
            rows = [
                Bucket(
                    at_ms + 1 - width_ms,
                    low,
                    min(max(found["total"][key][at_ms] / found["count"][key][at_ms], low), found["most"][key][at_ms]),
                    found["most"][key][at_ms],
                    round(found["count"][key][at_ms]),
                )
                for at_ms, low in sorted(least.items())
            ]
            result.append(ProbeSeries(*key, width_ms, rows))
        return result

    def runs(self, site: str, enclosure: str, start_ms: int, end_ms: int) -> list[Run]:
        chosen = f'{{__name__=~"heater_run_(seconds|energy_j|explained)",site="{site}",enclosure="{enclosure}"}}'
        found: dict[str, dict[int, float]] = {"seconds": {}, "energy_j": {}, "explained": {}}
        words: dict[int, tuple[bool, float, str]] = {}
        for told, at_ms, value in self._export(chosen, start_ms, end_ms):
            field = told["__name__"].removeprefix("heater_run_")
            # A backup put back cut short what was open then: what stands there of the whole run goes before it.
            found[field][at_ms] = max(value, found[field].get(at_ms, value))
            # Words that became known later are numbered in their order.
            said = field == "explained", value, told.get("ended_by", "")
            words[at_ms] = max(words.get(at_ms, said), said, key=lambda each: each[:2])
        return [
            Run(at_ms, value, found["energy_j"].get(at_ms), words[at_ms][2])
            for at_ms, value in sorted(found["seconds"].items())
        ]

    def journal(self, site: str, start_ms: int, end_ms: int, limit: int) -> list[StoredEntry]:
        found = [
            entry_of(
                round(value),
                at_ms,
                told["kind"],
                told.get("enclosure"),
                told.get("who", ""),
                told.get("why", ""),
                told.get("body", "{}"),
                told.get("hash", ""),
            )
            for told, at_ms, value in self._export(f'journal_sequence{{site="{site}"}}', start_ms, end_ms)
        ]
        return sorted(found, key=lambda each: (-each.at_ms, -each.sequence))[:limit]

    def _range(self, query: str, times: dict[str, str]) -> dict[tuple[str, str, str], dict[int, float]]:
        return {
            _names(each["metric"]): {round(at_s * 1000) + BACK_MS: float(value) for at_s, value in each["values"]}
            for each in self._json("query_range", {**times, "query": query})["result"]
        }

    def _export(self, match: str, start_ms: int, end_ms: int) -> Iterator[tuple[dict[str, str], int, float]]:
        """Yield (labels, [ms UTC], value) of every point as it was written."""
        body = self._get("export", {"match[]": match, "start": _s(start_ms), "end": _s(end_ms - 1)})
        for line in body.splitlines():
            try:
                told = json.loads(line)
                points = list(zip(told["timestamps"], told["values"], strict=True))
            except (ValueError, KeyError, TypeError) as error:
                raise self._is_none() from error
            for at_ms, value in points:
                yield told["metric"], at_ms, value

    def _json(self, call: str, fields: dict[str, str]) -> Any:
        try:
            return json.loads(self._get(call, fields))["data"]
        except (ValueError, KeyError, TypeError) as error:
            raise self._is_none() from error

    def _is_none(self) -> KeptError:
        return KeptError(f"{self._url} did not answer as a VictoriaMetrics does; look at remote.url")

    def _get(self, call: str, fields: dict[str, str]) -> bytes:
        headers = allowed(self._remote)
        try:
            answer = self._pool.request("GET", f"{self._url}/api/v1/{call}", fields=fields, headers=headers)
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise KeptError(f"{self._url} cannot be reached: {type(error).__name__}") from error
        if answer.status != 200:
            raise KeptError(
                f"{self._url} answered {answer.status} to {call}; look at remote.url and its token{_said(answer.data)}"
            )
        return answer.data


def _readings_of(site: str | None, enclosure: str | None) -> str:
    # What others keep there under the same name is of no site.
    chosen = (("site", site), ("enclosure", enclosure), ("probe", None))
    places = "".join(f'{name}="{value}",' if value else f'{name}!="",' for name, value in chosen)
    return f'reading_value{{{places}grade!="refused"}}'


def _said(answer: bytes) -> str:
    """Return what the store itself has to say of a refusal, which limit of its own it was."""
    try:
        return f". It says: {json.loads(answer)['error'][:MOST_SAID]}"
    except (ValueError, KeyError, TypeError):
        return ""


def _names(labels: dict[str, str]) -> tuple[str, str, str]:
    return labels["probe"], labels["quantity"], labels["unit"]


def _key(labels: dict[str, str]) -> tuple[str, ...]:
    return labels["site"], labels["enclosure"], *_names(labels), labels.get("grade", "")


def _s(at_ms: int) -> str:
    return f"{at_ms / 1000:.3f}"
