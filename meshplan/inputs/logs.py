"""The logs of a running network: rows of any form become arrays by device, however many there are.

Rows are read in portions, checked as whole columns, and laid down in unnamed files on the disk, one for each device; the memory
holds one portion, or the arrays of one device.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from itertools import pairwise
from pathlib import Path
from typing import Any, BinaryIO, Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from meshplan.errors import InputError, MeshplanError, nearest_name
from meshplan.inputs.columns import fold, heading_names
from meshplan.inputs.log_columns import LOG_COLUMNS, NUMBERS
from meshplan.inputs.log_tables import LogTable
from meshplan.inputs.user_files import reason, short
from meshplan.records.review import DeviceLog

ROW: Final = np.dtype(
    [
        ("time_s", "f8"),
        ("counter", "i8"),
        ("power_dbm", "f4"),
        ("snr_db", "f4"),
        ("cell_v", "f4"),
        ("temperature_c", "f4"),
        ("receiver", "i2"),
        ("hop", "i1"),
    ]
)
EARLIEST_S, LATEST_S = 1_420_070_400.0, 4_102_444_800.0
"""2015 and 2100: a gateway without network time starts in 1970 or 2000."""
EPOCH_SIZES: Final = ((1e17, 1e9), (1e14, 1e6), (1e11, 1e3), (0.0, 1.0))
"""From which size a number of time is in nanoseconds, microseconds, milliseconds, seconds."""
STRAY_GAP_DAYS: Final = 20
STRAY_ROWS: Final = 20
LEAST_ROWS: Final = 100
"""In fewer rows nobody can say which lie apart."""
MOST_NAMES: Final = 1_000
"""Unknown devices of which the names are kept."""
MOST_RECEIVERS: Final = 200
LIMITS: Final = {"power_dbm": (-174.0, -1.0), "snr_db": (-60.0, 100.0), "cell_v": (0.2, 100.0), "temperature_c": (-60.0, 100.0)}
MILLIVOLT_FROM: Final = 100.0
LARGEST_COUNTER: Final = float(2**53)


@dataclass
class Logs:
    """All rows of some logs, on the disk by device."""

    files: tuple[str, ...] = ()
    rows: int = 0
    """Of devices of the plan, used."""
    first_s: float = np.inf
    last_s: float = -np.inf
    notes: list[str] = field(default_factory=list)
    receivers: list[str] = field(default_factory=list)
    spools: dict[str, BinaryIO] = field(default_factory=dict)
    until_s: float = np.inf
    from_s: float = -np.inf

    def devices(self) -> Iterator[DeviceLog]:
        """Return the log of one device after the other, by name, in the order of time."""
        for name in sorted(self.spools):
            spool = self.spools[name]
            spool.seek(0)
            rows = np.frombuffer(spool.read(), dtype=ROW)
            rows = rows[(rows["time_s"] >= self.from_s) & (rows["time_s"] <= self.until_s)]
            order = np.argsort(rows["time_s"], kind="stable")
            columns: dict[str, Any] = {key: rows[key][order] for key in ROW.names or ()}
            for key in ("power_dbm", "snr_db", "cell_v", "temperature_c"):
                columns[key] = columns[key].astype(float)
            yield DeviceLog(device=name, receivers=tuple(self.receivers), **columns)

    def close(self) -> None:
        """Give the files on the disk back."""
        for spool in self.spools.values():
            spool.close()


def read_logs(
    paths: Sequence[Path],
    devices: Sequence[str],
    *,
    columns: Mapping[str, str] | None = None,
    names: Mapping[str, str] | None = None,
    zone: str = "",
    table: str = "",
    until_s: float | None = None,
    receivers: Mapping[str, str] | None = None,
) -> Logs:
    """Read logs; what cannot be used is counted and told, and where nothing can be used that is one clear error.

    Parameters
    ----------
    paths : sequence of Path
    devices : sequence of str
        Names of the devices of the plan.
    columns : mapping, optional
        Heading in the files → our column name.
    names : mapping, optional
        Name in the files → name in the plan.
    zone : str
        Time zone of times that name none, such as Europe/Berlin; universal time without.
    table : str
        Table of an SQLite file that has several.
    until_s : float, optional
        Rows after it are left out.
    receivers : mapping, optional
        Name in the files → name in the plan, of those that hear.
    """
    reader = _Reader(devices, columns or {}, names or {}, _zone_of(zone))
    reader.hearers |= {fold(written): name for written, name in (receivers or {}).items()}
    try:
        for path in paths:
            reader.read(LogTable(path, path.name, table=table))
        return reader.finished(tuple(path.name for path in paths), until_s)
    except MeshplanError:
        reader.logs.close()
        raise
    except OSError as error:
        reader.logs.close()
        raise InputError(
            f"no room to lay the rows down ({reason(error)})", where=tempfile.gettempdir(), fix="Make room there, or set TMPDIR."
        ) from error


def _zone_of(zone: str) -> ZoneInfo | None:
    if not zone:
        return None
    try:
        return ZoneInfo(zone)
    except (KeyError, ValueError, OSError) as error:
        raise InputError(f"'{short(zone)}' is no time zone", where="--zone", fix="Write one such as Europe/Berlin.") from error


class _Reader:
    """What is known while rows go by."""

    def __init__(self, devices: Sequence[str], columns: Mapping[str, str], names: Mapping[str, str], zone: ZoneInfo | None) -> None:
        self.known = {fold(name): name for name in devices}
        exact = {name: name for name in devices}
        for written, name in names.items():
            target = exact.get(name.strip()) or self.known.get(fold(name))
            if target is None:
                raise InputError(
                    f"there is no device '{short(name)}' in the plan that sends.{nearest_name(name, devices)}",
                    where="--device",
                    fix="Write ID=NAME with a name of the plan.",
                )
            self.known[fold(written)] = target
        self.hearers = dict(self.known)
        self.columns, self.zone = columns, zone
        self.logs = Logs()
        self.counts: Counter[str] = Counter()
        self.places: dict[str, str] = {}
        self.unknown: Counter[str] = Counter()
        self.unknown_rows = 0
        self.days: Counter[int] = Counter()
        self.receiver_numbers: dict[str, int] = {}
        self.latest_s = -np.inf
        self.used_headings: set[str] = set()

    def read(self, table: LogTable) -> None:
        """Read one file."""
        before, latest = self._seen(), -np.inf
        any_rows = False
        for frame in table.portions():
            any_rows = any_rows or bool(len(frame))
            latest = self._portion(frame, table.shown, latest)
        if table.broken:
            self._note("broken", table.broken, f"{table.shown}, {table.first_broken}")
        if not any_rows:
            raise InputError("there is no row in it", where=table.shown, fix="Name a log with rows below its headings.")
        if self._seen() == before and not table.broken:
            raise InputError("no row in it has a time and a device", where=table.shown, fix="Look at the columns time and device.")

    def _seen(self) -> int:
        return self.logs.rows + self.unknown_rows + self.counts["time"] + self.counts["hub"]

    def _portion(self, frame: pd.DataFrame, shown: str, latest_s: float) -> float:
        headings = self._headings([str(name) for name in frame.columns], shown)
        frame = frame.set_axis([str(name) for name in frame.columns], axis=1)
        cells = {name: frame[heading] for name, heading in headings.items()}
        time_s = self._times(cells["time"], shown)
        device = cells["device"].astype("string").fillna("").str.strip()
        codes, words = pd.factorize(device)
        targets = [self.known.get(fold(str(word))) for word in words]
        numbers = {word: k for k, word in enumerate(dict.fromkeys(name for name in targets if name is not None))}
        of_word = np.array([numbers.get(name, -1) if name is not None else -1 for name in targets] or [-1])
        which = of_word[codes]
        nameless = np.array([not str(word) for word in words] or [False])[codes]
        self._note("device", int(nameless.sum()), f"{shown}, row {_first(frame, nameless)}")
        foreign = (which < 0) & ~nameless
        own = np.array([fold(str(word)) in self.hearers for word in words] or [False])[codes]
        self._note("hub", int((foreign & own).sum()), f"{shown}, row {_first(frame, foreign & own)}")
        self._strangers(words, codes, foreign & ~own)
        good = np.isfinite(time_s) & (which >= 0)
        rows = np.zeros(len(frame), dtype=ROW)
        rows["time_s"] = time_s
        for name in NUMBERS:
            values = self._numbers(name, cells.get(name), frame, shown)
            rows[name] = values
        rows["receiver"] = self._receivers(cells.get("heard_by"), len(frame))
        timed = time_s[good]
        if len(timed):
            steps = np.diff(np.concatenate([[latest_s if np.isfinite(latest_s) else timed[0]], timed]))
            self.counts["backward"] += int(np.sum(steps < -86_400.0))
            latest_s = float(timed[-1])
            for day, many in zip(*np.unique((timed // 86_400.0).astype(int), return_counts=True), strict=True):
                self.days[int(day)] += int(many)
        for name, number in numbers.items():
            mine = rows[good & (which == number)]
            if len(mine):
                if name not in self.logs.spools:
                    self.logs.spools[name] = tempfile.TemporaryFile()  # noqa: SIM115 - given back by Logs.close
                self.logs.spools[name].write(mine.tobytes())
        self.logs.rows += int(good.sum())
        return latest_s

    def _headings(self, raw: list[str], shown: str) -> dict[str, str]:
        """Return which heading feeds which column."""
        exact, known = heading_names(LOG_COLUMNS)
        asked = {fold(heading): name for heading, name in self.columns.items()}
        for heading, name in self.columns.items():
            if name not in exact.values():
                fix = f"Use one of: {', '.join(exact.values())}."
                raise InputError(f"'{name}' is no column of a log.{nearest_name(name, exact)}", where="--column", fix=fix)
            self.used_headings.update(heading for each in raw if fold(each) == fold(heading))
        found: dict[str, str] = {}
        for rank in (asked, exact, known):
            for heading in raw:
                meant = rank.get(fold(heading))
                if meant is not None and meant not in found and heading not in found.values():
                    found[meant] = heading
        for column in LOG_COLUMNS:
            if column.required and column.name not in found:
                close = get_close_matches(column.name, raw, 1, 0.6)
                hint = f" Is it '{short(close[0])}'?" if close else ""
                raise InputError(
                    f"no column says '{column.name}'.{hint}",
                    where=shown,
                    fix=f"Name its heading: --column HEADING={column.name} (the headings are {', '.join(map(short, raw[:12]))}).",
                )
        return found

    def _times(self, cells: pd.Series[Any], shown: str) -> NDArray[np.float64]:
        """Return seconds since 1970, NaN where there is no time that can be."""
        time_s = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=float, na_value=np.nan, copy=True)
        if not pd.api.types.is_numeric_dtype(cells):
            words = ~np.isfinite(time_s)
            if words.any():
                time_s[words] = self._dates(cells[words], shown)
        size = np.abs(time_s)
        for least, divisor in EPOCH_SIZES:
            here = size >= least
            time_s = np.where(here & np.isfinite(size), time_s / divisor, time_s)
            size = np.where(here, np.nan, size)
        empty = ~np.isfinite(time_s)
        self._note("time", int(empty.sum()), f"{shown}, row {_first(cells, empty)}")
        outside = (time_s < EARLIEST_S) | (time_s > LATEST_S)
        self._note("epoch", int(outside.sum()), f"{shown}, row {_first(cells, outside)}")
        return np.asarray(np.where(outside, np.nan, time_s))

    def _dates(self, cells: pd.Series[Any], shown: str) -> NDArray[np.float64]:
        if pd.api.types.is_datetime64_any_dtype(cells):
            dates = cells
        else:
            words = cells.astype("string").str.strip()
            zoned = words.str.contains(r"(?:[zZ]|[+-]\d{2}:?\d{2})$", regex=True).fillna(False).to_numpy(dtype=bool)
            result = np.full(len(cells), np.nan)
            if zoned.any():
                result[zoned] = _seconds(pd.to_datetime(words[zoned], utc=True, format="ISO8601", errors="coerce"))
            bare = ~zoned
            if bare.any():
                result[bare] = self._local(pd.to_datetime(words[bare], format="ISO8601", errors="coerce"))
            return result
        return _seconds(dates) if dates.dt.tz is not None else self._local(dates)

    def _local(self, dates: pd.Series[Any]) -> NDArray[np.float64]:
        """Return seconds of times without a zone; the hour that autumn repeats is taken as the second one, and told."""
        if self.zone is None:
            self.counts["zoneless"] += int(dates.notna().sum())
            return _seconds(dates)
        later = dates.dt.tz_localize(self.zone, ambiguous=np.zeros(len(dates), dtype=bool), nonexistent="shift_forward")
        sooner = dates.dt.tz_localize(self.zone, ambiguous=np.ones(len(dates), dtype=bool), nonexistent="shift_forward")
        self.counts["repeated"] += int((later != sooner).where(dates.notna(), False).sum())
        return _seconds(later)

    def _numbers(self, name: str, cells: pd.Series[Any] | None, frame: pd.DataFrame, shown: str) -> Any:
        missing = {"counter": -1, "hop": 0}.get(name, np.nan)
        if cells is None:
            return np.full(len(frame), missing)
        values = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=float, na_value=np.nan, copy=True)
        if pd.api.types.is_numeric_dtype(cells):
            written = np.isfinite(cells.to_numpy(dtype=float, na_value=np.nan))
        else:
            written = ~cells.astype("string").fillna("").str.strip().str.lower().isin(["", "nan", "null", "none"]).to_numpy(
                dtype=bool
            )
        if name in ("counter", "hop"):
            top = LARGEST_COUNTER if name == "counter" else 100.0
            fit = np.isfinite(values) & (values >= 0) & (values < top) & (values == np.floor(values))
            self._note(name, int((written & ~fit).sum()), f"{shown}, row {_first(frame, written & ~fit)}")
            return np.where(fit, np.nan_to_num(values, posinf=0.0, neginf=0.0), missing).astype(np.int64)
        if name == "cell_v":
            values = np.where(values >= MILLIVOLT_FROM, values / 1000.0, values)
        low, high = LIMITS[name]
        fit = np.isfinite(values) & (values >= low) & (values <= high)
        self._note(name, int((written & ~fit).sum()), f"{shown}, row {_first(frame, written & ~fit)}")
        return np.where(fit, values, np.nan)

    def _receivers(self, cells: pd.Series[Any] | None, count: int) -> Any:
        if cells is None:
            return np.full(count, -1, dtype=np.int16)
        codes, words = pd.factorize(cells.astype("string").fillna("").str.strip())
        numbers = []
        for word in map(str, words):
            name = self.hearers.get(fold(word), word)
            if name and name not in self.receiver_numbers and len(self.receiver_numbers) < MOST_RECEIVERS:
                self.receiver_numbers[name] = len(self.logs.receivers)
                self.logs.receivers.append(name)
            numbers.append(self.receiver_numbers.get(name, -1))
        return np.array(numbers or [-1], dtype=np.int16)[codes]

    def _strangers(self, words: Any, codes: NDArray[np.intp], foreign: NDArray[np.bool_]) -> None:
        self.unknown_rows += int(foreign.sum())
        if not foreign.any():
            return
        found, many = np.unique(codes[foreign], return_counts=True)
        for code, rows in zip(found, many, strict=True):
            word = short(str(words[code]))
            if word in self.unknown or len(self.unknown) < MOST_NAMES:
                self.unknown[word] += int(rows)
            else:
                self.counts["nameless strangers"] += int(rows)

    def _note(self, what: str, many: int, place: str) -> None:
        if many:
            self.counts[what] += many
            self.places.setdefault(what, place)

    def finished(self, files: tuple[str, ...], until_s: float | None) -> Logs:
        """Return what was read, with notes; nothing that can be used is an error."""
        logs = self.logs
        logs.files = files
        where = ", ".join(files)
        for heading in self.columns:
            if heading not in self.used_headings:
                raise InputError(
                    f"there is no column '{short(heading)}'", where=where, fix="Name a heading of the log with --column."
                )
        if not logs.rows:
            seen = ", ".join(f"'{name}'" for name, _ in self.unknown.most_common(5))
            if seen:
                names = ", ".join(sorted(set(self.known.values()))[:5])
                raise InputError(
                    f"none of its devices is one of the plan: {seen}{' …' if len(self.unknown) > 5 else ''}",
                    where=where,
                    fix=f"Say who is who: --device ID=NAME for each (the plan has {names} …).",
                )
            raise InputError("no row has a time and a device that can be used", where=where, fix="; ".join(self._notes()) + ".")
        self._leave_out_strays()
        if until_s is not None:
            logs.until_s = min(logs.until_s, until_s)
        days = [day for day in self.days if logs.from_s <= day * 86_400.0 + 86_399.0 and day * 86_400.0 <= logs.until_s]
        if not days:
            raise InputError("no row lies before that moment", where="--until", fix="Name a later day.")
        logs.first_s = min(days) * 86_400.0
        logs.last_s = self._last_row_s()
        logs.notes += self._notes()
        return logs

    def _last_row_s(self) -> float:
        last = -np.inf
        for spool in self.logs.spools.values():
            spool.seek(0)
            while part := spool.read(ROW.itemsize * 500_000):
                time_s = np.frombuffer(part, dtype=ROW)["time_s"]
                time_s = time_s[time_s <= self.logs.until_s]
                last = max(last, float(time_s.max(initial=-np.inf)))
        return last

    def _leave_out_strays(self) -> None:
        """Leave out a few rows that lie weeks before or after all others: a clock that jumped."""
        days = sorted(self.days) if self.logs.rows >= LEAST_ROWS else []
        for order, forward in ((days, False), (days[::-1], True)):
            rows = 0
            for day, other in pairwise(order):
                rows += self.days[day]
                if rows > min(STRAY_ROWS, 0.001 * self.logs.rows + 1):
                    break
                if abs(other - day) > STRAY_GAP_DAYS:
                    if forward:
                        self.logs.until_s = other * 86_400.0 + 86_399.999
                    else:
                        self.logs.from_s = other * 86_400.0
                    side = "after" if forward else "before"
                    self.counts[f"stray {side}"] = rows
                    self.places[f"stray {side}"] = f"{abs(other - day)} days {side} all others"

    def _notes(self) -> list[str]:
        words = {
            "broken": "could not be read and {are} left out",
            "time": "{have} no time that can be read and {are} left out",
            "epoch": "{have} a time before 2015 or after 2100, as of a clock that was never set, and {are} left out",
            "device": "{name} no device and {are} left out",
            "hub": "{are} of relays or gateways themselves and {are} left out: what they hear of others is looked at",
            "counter": "{have} a counter that is none (negative, broken or beyond 2^53): it is not used",
            "hop": "{have} a number of hops that cannot be: it is not used",
            "power_dbm": "{have} a received power outside −174 to −1 dBm or that is no number: it is not used",
            "snr_db": "{have} a signal-to-noise ratio that cannot be: it is not used",
            "cell_v": "{have} a cell voltage outside 0.2 to 100 V or that is no number: it is not used",
            "temperature_c": "{have} a temperature that cannot be: it is not used",
            "stray before": "{lie} far from all others and {are} left out: a clock jumped",
            "stray after": "{lie} far from all others and {are} left out: a clock jumped",
            "backward": "{go} back by more than a day against the row before: a clock that jumped, or logs one after the other",
            "zoneless": "{have} a time without a zone: taken as universal time; --zone says otherwise",
            "repeated": "{lie} in the hour that autumn repeats: taken as the second one",
        }
        forms = {"have": "has", "are": "is", "lie": "lies", "go": "goes", "name": "names"}
        found = []
        for what, sentence in words.items():
            many = self.counts[what]
            if many:
                one = many == 1
                said = sentence.format_map({word: singular if one else word for word, singular in forms.items()})
                place = f" ({self.places[what]}{'' if one else ' …'})" if what in self.places else ""
                found.append(f"{many} {'row' if one else 'rows'} {said}{place}.")
        if self.unknown_rows:
            some = ", ".join(f"'{name}' {rows}" for name, rows in self.unknown.most_common(5))
            many_names = f"{len(self.unknown)}" if not self.counts["nameless strangers"] else f"over {MOST_NAMES}"
            found.append(
                f"{self.unknown_rows} rows are of {many_names} devices that the plan does not have, and are left out: {some}"
                f"{' …' if len(self.unknown) > 5 else ''}. Say who is who with --device ID=NAME."
            )
        return found


def _first(frame: pd.DataFrame | pd.Series[Any], mask: NDArray[np.bool_]) -> str:
    """Return the row number of the first that is meant."""
    places = np.flatnonzero(mask)
    return str(frame.index[places[0]]) if len(places) else ""


def _seconds(dates: pd.Series[Any]) -> NDArray[np.float64]:
    """Return seconds since 1970 of dates, NaN where there is none."""
    plain = dates.dt.tz_convert("UTC").dt.tz_localize(None) if dates.dt.tz is not None else dates
    values = plain.to_numpy(dtype="datetime64[ns]")
    return np.asarray(np.where(np.isnat(values), np.nan, values.astype(np.int64) / 1e9))
