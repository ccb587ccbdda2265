"""The nouns of measuring: a reading, what was predicted for it, what the calibration learned, where to stand next."""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass

from meshplan.records.link import Spread
from meshplan.records.short_form import Facts, ShortForm

NAN = float("nan")
SNR_CAP_DB = 10.0
"""Where nobody says what a receiver can report: chirp receivers stop at about +10 to +14 dB (common practice, no source)."""


@dataclass(frozen=True)
class End:
    """One end of a measured link: a known site, or a place given by its coordinates."""

    name: str
    lon_deg: float
    lat_deg: float
    site: bool
    """True if it is a site of the property."""
    antenna_agl_m: float | None = None
    """Antenna height while measuring, if the file says so."""


@dataclass(frozen=True)
class Reading:
    """One row of a measurement file: what `b` heard of `a`.

    `power_dbm` is the power of the signal alone. Without power, SNR or a count of packets there is no reading. `heard` is False
    when `a` sent and `b` received nothing: that is a reading too.
    """

    a: End
    b: End
    heard: bool
    power_dbm: float | None = None
    snr_db: float | None = None
    sent: int | None = None
    received: int | None = None
    time: datetime.datetime | None = None
    month: int | None = None
    season: str = ""
    radio: str = ""
    frequency_mhz: float | None = None
    tx_power_dbm: float | None = None
    location: str = ""
    """Where the walker stood; empty if the file does not say."""
    where: str = ""
    """File and row."""


@dataclass(frozen=True)
class ReadingsFile:
    """All readings of some files, with what was noticed on the way and where they come from."""

    readings: tuple[Reading, ...]
    notes: tuple[str, ...]
    files: tuple[str, ...]
    sha256: str
    """Of the bytes of all files, in the order read."""


@dataclass(frozen=True)
class PredictedLink:
    """What the engine predicted for one direction of one link in one season: numbers only, no profile.

    `key` is free; a prediction for a reading and one for a planned link are the same kind of thing. Positions are on the local
    metric grid. `cover_m` holds metres of each cover kind on the ray. `received_dbm` is the median power at `b`.
    """

    key: str
    a: str
    b: str
    a_x_m: float
    a_y_m: float
    b_x_m: float
    b_y_m: float
    distance_m: float
    received_dbm: float
    sensitivity_dbm: float
    spread: Spread
    frequency_mhz: float
    radio: str = ""
    season: str = ""
    in_leaf: bool = False
    environment: str = "open"
    diffraction_db: float = 0.0
    clutter_db: float = 0.0
    """What is taken to stand around the ends, named or assumed on unmapped land, adds to the loss."""
    ground_limited: bool = False
    cover_m: tuple[tuple[str, float], ...] = ()
    antenna_a_agl_m: float = NAN
    antenna_b_agl_m: float = NAN
    noise_dbm: float = NAN
    """Noise level that the engine expects at `b`; needed to use readings that give only an SNR."""
    snr_cap_db: float = SNR_CAP_DB
    """Largest signal-to-noise ratio that the receiver at `b` reports: a reading of so much says "so much or more"."""

    @property
    def margin_db(self) -> float:
        """Median power over sensitivity."""
        return self.received_dbm - self.sensitivity_dbm


@dataclass(frozen=True)
class Wilson:
    """A share of packets with its interval."""

    received: int
    sent: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """Received over sent."""
        return self.received / self.sent


@dataclass(frozen=True)
class MeasuredLink:
    """All readings of one link at one place, radio and season, brought to one figure.

    Either `power_dbm` with its standard error, or bounds: the median power lies between `low_dbm` and `high_dbm`. `snr_only` says
    that power (or its bound) was had from an SNR and the expected noise, so that noise at `b` enters.
    """

    link: PredictedLink
    power_dbm: float
    error_db: float
    low_dbm: float = -math.inf
    high_dbm: float = math.inf
    snr_only: bool = False
    noise_rise_db: float = NAN
    """Measured noise over the expected noise at `b`, where power and SNR were both read below the receiver's cap."""
    noise_high_db: float = math.inf
    """The noise lies at most so far over the expected one, where the SNR was at the cap: the true ratio was larger."""
    packets: Wilson | None = None
    powers_dbm: tuple[float, ...] = ()
    """Single readings, for errors over packets."""
    location: str = ""
    where: tuple[str, ...] = ()

    @property
    def censored(self) -> bool:
        """True if only bounds are known."""
        return math.isnan(self.power_dbm)

    @property
    def residual_db(self) -> float:
        """Measured minus predicted; NaN if only bounds are known."""
        return self.power_dbm - self.link.received_dbm


@dataclass(frozen=True)
class Parameter:
    """One physical quantity that the readings may correct. Its prior mean is zero: "as the engine says"."""

    name: str
    group: str
    """"offset", "class", "end", "radio", "cover", "ground", "slope", "diffraction", "clutter", "height" or "noise"."""
    unit: str
    prior_sd: float
    mean: float = 0.0
    sd: float = 0.0
    low: float = 0.0
    high: float = 0.0
    """`low` to `high` holds the truth with 90 % chance."""
    meaning: str = ""
    scaled: bool = False
    """True for the offset of a place, whose spread is learned together with those of other places."""
    prior_factor: float = 1.0
    """Factor on the prior spread after judging which causes are large."""

    @property
    def informed(self) -> bool:
        """Whether the readings said something about it."""
        return self.sd < 0.9 * self.prior_sd * self.prior_factor or abs(self.mean) > self.prior_sd


@dataclass(frozen=True)
class Evidence:
    """One line of what was learned: a Gaussian statement about the residual of one link, exact or standing for a bound.

    `kind` is "power" (includes the link's own part), "snr" (the same, less the noise at b) or "noise" (noise at b alone).
    """

    kind: str
    link: PredictedLink
    value_db: float
    sd_db: float
    strangeness: float = 1.0
    """Factor on the link's own error; more than one if it does not go with the others."""
    read_db: float = NAN
    read_sd_db: float = NAN
    """What was read of a link that is listed only because it was heard; `value_db` is what it says of all links. NaN elsewhere."""


@dataclass(frozen=True)
class SpreadFactors:
    """What the readings said about the size of errors. 1 means as the engine expected."""

    own: float
    """Factor on each link's own error (what no parameter explains)."""
    own_low: float
    own_high: float
    places: float
    """Factor on the expected offset of places and their antennas."""
    correlation_m: float
    """Distance over which the own errors of neighbouring links are alike; 0 if they are not."""
    freedom: float = math.inf
    """Degrees of freedom of each link's own error, a Student-t: few if single links lie far off, infinite if it is normal."""


@dataclass(frozen=True)
class ResidualLine:
    """Measured minus predicted in one environment, before and after."""

    environment: str
    links: int
    mean_before_db: float
    sd_before_db: float
    mean_after_db: float
    sd_after_db: float
    learned_db: float
    """How much stronger its links are than those of all other environments, by class, cover and ground; 0 for "all"."""
    learned_low_db: float
    learned_high_db: float
    """90 % interval of `learned_db`."""
    sentence: str = ""
    fits: bool = True
    """Whether its links agree with the others after calibration; True also where too few were measured to say."""


@dataclass(frozen=True)
class LeftOut:
    """How well a place is predicted by the readings of all other places. Root mean squares, dB."""

    locations: int
    links: int
    error_db: float
    """Over links."""
    error_over_readings_db: float
    """Over single readings (packets)."""
    before_db: float
    before_over_readings_db: float
    distance_only_db: float
    """The same error of a plain fit: one exponent and one offset for each fixed end. What the engine has to beat."""
    distance_only_over_readings_db: float
    inside_90: float
    """Share of left-out links inside their 90 % interval."""
    by_location: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class FittedLink:
    """One measured link with its prediction before, after, and when its place was left out."""

    measured: MeasuredLink
    after_dbm: float
    after_sd_db: float
    left_out_dbm: float
    left_out_sd_db: float
    suspect: bool = False
    """True if the reading lies more than three standard deviations from what all other places say."""


@dataclass(frozen=True, repr=False)
class Calibration(ShortForm):
    """All that was learned from readings; enough to correct any link and to tell how far that may be trusted."""

    property_name: str
    created: str
    """Date the user gave, or the date of the last reading; never the clock of the machine."""
    files: tuple[str, ...]
    sha256: str
    readings: int
    heard: int
    not_heard: int
    parameters: tuple[Parameter, ...]
    factors: SpreadFactors
    reference_distance_m: float
    crs: str
    """Projection of the positions in `evidence`; empty if not said."""
    evidence: tuple[Evidence, ...]
    residuals: tuple[ResidualLine, ...] = ()
    left_out: LeftOut | None = None
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    fitted: tuple[FittedLink, ...] = ()
    """For charts; not kept in the file."""

    @property
    def readings_words(self) -> str:
        """How many readings, with the noun."""
        return f"{self.readings} reading{'s' if self.readings != 1 else ''}"

    def short_facts(self) -> Facts:
        """Return what was read."""
        return (
            ("property", self.property_name),
            ("created", self.created),
            ("readings", self.readings),
            ("heard", self.heard),
            ("warnings", len(self.warnings)),
        )

    def parameter(self, name: str) -> Parameter:
        """Return the parameter of that name."""
        return next(parameter for parameter in self.parameters if parameter.name == name)


@dataclass(frozen=True)
class LinkCorrection:
    """What the calibration says about one link: add `correction_db` to the predicted power, use `spread` instead of the
    engine's."""

    key: str
    correction_db: float
    spread: Spread
    noise_rise_db: float
    """Extra noise at b to add to the sensitivity."""
    measured: bool
    """True if this very link was measured in this state of leaf."""
    in_range: bool
    refusals: tuple[str, ...]
    """Why the spread stayed as it was, in words."""
    causes: tuple[tuple[str, float], ...]
    """Parts of the correction in dB, largest first."""
    freedom: float = math.inf
    """Degrees of freedom of the error left, a Student-t with the standard deviation of `spread`."""


@dataclass(frozen=True)
class VerdictChange:
    """A link whose verdict is another one after calibration."""

    key: str
    a: str
    b: str
    before: str
    after: str
    margin_before_db: float
    margin_after_db: float
    chance_before: float
    chance_after: float
    spread_before_db: float
    spread_after_db: float
    better: bool
    sentence: str


@dataclass(frozen=True)
class Stake:
    """A link on which a decision hangs: used if its chance reaches `required_chance`."""

    link: PredictedLink
    required_chance: float
    fade_margin_db: float = 0.0
    weight: float = 1.0
    """What a wrong decision costs, in any unit common to all stakes."""
    served: str = ""
    """Whom the link would serve. Of the links that serve the same one the best is enough; where it is empty, each link counts."""


@dataclass(frozen=True)
class PlaceToStand:
    """A place where somebody could stand with a radio, and the links that could be heard from there."""

    name: str
    x_m: float
    y_m: float
    links: tuple[PredictedLink, ...]


@dataclass(frozen=True)
class NextPlace:
    """A place worth measuring: what it would decide."""

    place: PlaceToStand
    value: float
    """Expected number of wrong decisions that this reading saves, by weight, given the places before it in order of value."""
    decides: tuple[str, ...]
    """Keys of the links whose verdict hangs most on it."""
    sentence: str


@dataclass(frozen=True)
class Walk:
    """Places in walking order, with the way between them."""

    stops: tuple[NextPlace, ...]
    path: tuple[tuple[float, float], ...]
    """Corner points (x, y) of the way, start included."""
    length_m: float
    value: float
    value_of_knowing_all: float
    """Expected number of wrong decisions with no further reading, by weight: the most any measuring can save."""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class ExpectedLevel:
    """What a link to be measured should show in one season, at both ends."""

    season: str
    here_dbm: float
    there_dbm: float
    spread_db: float


@dataclass(frozen=True)
class ReadingToTake:
    """A link to be measured from a place of the walk."""

    link: str
    """Key of the link, as in the plan and in the table for readings."""
    here: str
    there: str
    """Names of the two sites in the property's files."""
    here_antenna_agl_m: float
    there_antenna_agl_m: float
    radio: str
    bearing_deg: float
    distance_m: float
    expected: tuple[ExpectedLevel, ...]
    decides: bool
    """True if the use of this very link hangs on the reading."""


@dataclass(frozen=True)
class WalkStop:
    """A place of the walk, ready to be printed."""

    name: str
    lon_deg: float
    lat_deg: float
    way_m: float
    """Along the way from the stop before, or from the start."""
    bearing_deg: float
    """First straight piece of that way, from true north."""
    sentence: str
    share: float
    """Of the wrong decisions still open, how much this reading is expected to save."""
    decides: tuple[str, ...]
    """Links whose use hangs most on it, as "a to b"."""
    readings: tuple[ReadingToTake, ...]


@dataclass(frozen=True)
class SurveyWalk:
    """Where to measure next: a round on foot with all that is to be read, for paper, table and phone."""

    property_name: str
    knows: str
    """What was known when it was chosen, as a sentence."""
    start: str
    start_lon_deg: float
    start_lat_deg: float
    stops: tuple[WalkStop, ...]
    way: tuple[tuple[float, float], ...]
    """Corner points (longitude, latitude) of the round, start and end included."""
    back_m: float
    """From the last stop back to the start."""
    length_m: float
    share: float
    """Of the wrong decisions still open, how much all stops together are expected to save."""
    notes: tuple[str, ...] = ()
