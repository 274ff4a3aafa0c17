"""The reference of measurements and fields, made from the code: benchd/store/LINES.md. `python -m tests.generated`."""

from __future__ import annotations

from benchd.store.influx import BATCH_AGE_S
from benchd.store.influx_sink import BATCH_LINES, Verdict, verdict
from benchd.store.lines import FIELDS, MORE_TAGS, RULE_CODES, SIGNATURE_CODES, TAGS
from benchd.store.settling import SETTLE_S

TEXT = """\
# Time-series server: measurements, and what happens to a line

Made from the code by `python -m tests.generated`; what is really sent is checked against it.

InfluxDB line protocol, ns precision. Tags of all measurements: {tags};
`job` and `trace` where known. What people type (device, symptom, notes) is never sent: a job is its id.

{measurements}

`rule_code`: {rules}; 0: another.

`signature_code`: {signatures}; 0: one of a card of your own.

## Servers

| server | `write_path` | `bucket` | `token` | tried with |
| --- | --- | --- | --- | --- |
| InfluxDB 2.x | `v2` | bucket (and `org`) | token | its documentation |
| InfluxDB 3.x | `v2` | database | token | what its documentation says that it answers |
| InfluxDB 1.x | `v1` | database, or database/retention policy | user:password | 1.6.7 |
| VictoriaMetrics | `v2` | any | where something before it asks for one | 1.79.5 |

- VictoriaMetrics keeps numbers only, and whole ms: a supply that is read more often than that keeps one reading a ms
  (set `reading_interval_ms = 1` or more to have all). A point may be written twice: run it with
  `-dedup.minScrapeInterval=1ms`, and it counts once. A trace that was read again may go on showing its first finding
  there.
- InfluxDB 1.x wants its database made first: `CREATE DATABASE benchd`. It takes 100 000 values of one tag
  unless `max-values-per-tag` says otherwise: as many traces.

## What becomes of a line

A request goes out with {batch_lines} lines (`batch_lines`), or when its first reading has waited for {batch_age_s:g} s
(`batch_age_s`). It is squeezed unless the server is on this machine (`gzip`).

| answer | what follows |
| --- | --- |
| {accepted} | taken |
| {split} | sent in halves, down to the single lines: they are refused for good and set aside |
| 401, 403 | all waits, the reason is shown; `token_file` is read again before each try |
| everything else, or none | all waits and is tried again, later each time, not before a `Retry-After` |

What is set aside is shown by `benchd log rejected`, on the page, and by the API. Where a server names the bad lines and
has kept the rest (3.x), just those are.

The cursor in the log moves over taken and refused lines only. It is stored when the server has had them for
{settle_s:g} s and is still the same run of its program (`process_start_time_seconds` at its `/metrics`). After a
restart of the server, what came after the stored cursor is sent again: one that was killed may have lost its newest
seconds (VictoriaMetrics does). The same tags and time are the same point: nothing is there twice. Trips, findings and
results have a cursor of their own and do not wait behind readings.
"""


def reference_text() -> str:
    """The whole page."""
    statuses = {v: [s for s in (204, 400, 413, 422) if verdict(s) is v] for v in Verdict}
    return TEXT.format(
        tags=", ".join(f"`{tag}`" for tag in TAGS),
        measurements="\n\n".join(_table(name) for name in FIELDS),
        rules=_codes(RULE_CODES),
        signatures=_codes(SIGNATURE_CODES),
        batch_lines=BATCH_LINES,
        batch_age_s=BATCH_AGE_S,
        settle_s=SETTLE_S,
        accepted=", ".join(map(str, statuses[Verdict.ACCEPTED])) + " (any 2xx)",
        split=", ".join(map(str, statuses[Verdict.SPLIT])),
    )


TIMES = {
    "supply_reading": "at the reading's time",
    "supply_trip": "at the moment of the trip",
    "trace_finding": "at the trace's start; a trace that is read again replaces it",
    "procedure_result": "at the end of a procedure's run, one for each result that is a number",
}


def _table(name: str) -> str:
    lines = [f"**`{name}`**, {TIMES[name]}", ""]
    if name in MORE_TAGS:
        lines += ["More tags: " + "; ".join(f"`{tag}` ({text})" for tag, text in MORE_TAGS[name].items()) + ".", ""]
    lines += ["| field | unit | type | |", "| --- | --- | --- | --- |"]
    lines += [f"| `{field}` | {is_.unit} | {is_.kind} | {is_.text} |" for field, is_ in FIELDS[name].items()]
    return "\n".join(lines)


def _codes(codes: dict[str, int]) -> str:
    return ", ".join(f"{number} {word}" for word, number in codes.items())
