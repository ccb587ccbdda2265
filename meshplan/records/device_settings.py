"""What is programmed into each device of a plan, as it is written to devices.json."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

DEVICES_FORMAT: Final = "meshplan devices"
DEVICES_VERSION: Final = 1

FIRST_NUMBER: Final = 1
LAST_NUMBER: Final = 65_534
"""Numbers fit two bytes; 0 is nobody and 65535 everybody."""


def told(words: str, **more: Any) -> Any:
    """Return a field with what it means, unit included, as the schema of the file says it; `choices` are all values it may have."""
    return field(metadata={"told": words, **more})


@dataclass(frozen=True)
class DeviceNumber:
    """The number and the identifier that a device keeps, whatever else comes and goes."""

    number: int
    name: str
    """Name of its site."""
    identifier: str
    """The name as C and most other languages allow it."""


@dataclass(frozen=True)
class Neighbour:
    """Another device of the plan."""

    number: int = told("Its number.")
    name: str = told("Its name in the property's files.")


@dataclass(frozen=True)
class Forwarding:
    """A sensor whose readings this device sends on, or takes in for good."""

    sensor: int = told("Number of the sensor.")
    to: int | None = told("Number of the device that its readings are sent on to; null at the gateway where they end.")
    second_route: bool = told("Whether this is for the second route, taken when the first fails.")


@dataclass(frozen=True)
class SeasonSignal:
    """The median signal of a link in one season."""

    season: str = told("Name of the season in the plan.")
    month: int = told("Month that stands for it, 1 to 12.")
    heard_here_dbm: float = told("Median power at this device's receiver, dBm, when the neighbour sends.")
    heard_there_dbm: float = told("Median power at the neighbour's receiver, dBm, when this device sends.")
    spread_db: float = told("Standard deviation of both, dB: what the maps do not tell.")


@dataclass(frozen=True)
class ExpectedSignal:
    """What to expect of a link of the plan, and when to raise an alarm."""

    neighbour: int = told("Number of the device at the other end.")
    radio: str = told("Radio class at both ends.")
    second_route: bool = told("Whether only second routes use it.")
    needed_here_dbm: float = told("Power that this receiver needs, dBm, with the noise of its place.")
    needed_there_dbm: float = told("Power that the neighbour's receiver needs, dBm.")
    fade_margin_db: float = told("Part of the margin that the plan keeps for fading, dB.")
    alarm_below_here_dbm: float = told(
        "Raise an alarm when the median of a day falls below this, dBm: needed power and fade margin, so that fades begin to cost "
        "readings."
    )
    alarm_below_there_dbm: float = told("The same at the neighbour, dBm.")
    worst_season: str = told("Season with the least chance.")
    first_failing_month: str = told("Month in which the plan expects it to fail first; empty if it holds in all seasons.")
    seasons: tuple[SeasonSignal, ...] = told("One entry a season of the plan.")


@dataclass(frozen=True)
class RadioSetup:
    """How one radio of the device is set."""

    radio: str = told("Key of the radio class.")
    title: str = told("The class in words.")
    frequency_mhz: float = told("Frequency, MHz; the middle of the channel.")
    modulation: str = told("Kind of modulation.", choices=("fsk", "gfsk", "ook", "css", "oqpsk", "dbpsk"))
    bit_rate_bps: float = told("Bit rate, bit/s; of a chirp after coding.")
    spreading_factor: int | None = told("Chirp: spreading factor; null for other modulations.")
    bandwidth_khz: float = told("Chirp: its bandwidth. Others: noise bandwidth of the receiver, kHz.")
    occupied_bandwidth_khz: float = told("Bandwidth on the air, kHz, that the band was checked with.")
    coding_rate: str | None = told("Chirp: coding rate, such as 4/5; null for other modulations.")
    preamble_symbols: int | None = told("Chirp: symbols of the preamble as they are programmed, without sync; null for others.")
    low_rate_aid: bool | None = told("Chirp: whether the low-rate aid is on; null for others.")
    deviation_khz: float | None = told(
        "FSK and GFSK: distance of a tone from the middle, kHz; null where the class does not say it."
    )
    receiver_filter_khz: float | None = told("FSK and GFSK: receiver filter, kHz; null where the class does not say it.")
    frame_overhead_bytes: float = told(
        "Bytes of preamble, sync, length and check around each frame that the plan counts; 0 for a chirp."
    )
    header_bytes: int = told("Bytes of the network's own header before each payload that the plan counts.")
    repeats: int = told("How often a one-way class sends each frame; 1 for others.")
    tx_power_dbm: float = told(
        "Most transmit power at the radio's port, dBm, rounded down to 0.01: antenna and cable are off, so that the law holds."
    )
    tx_power_whole_dbm: int = told("The same in whole dBm, rounded down.")
    eirp_dbm: float = told("Power towards the horizon that comes of it, dBm EIRP, with antenna, cable and case.")
    sensitivity_dbm: float = told("Power that this receiver needs, dBm, with the noise of its place.")
    acknowledged: bool = told("Whether each hop confirms a reading.")
    acknowledgement_bytes: int = told("Bytes of an acknowledgement; 0 where none is sent.")
    acknowledgement_ms: float = told("Time on the air of an acknowledgement, ms; 0 where none is sent.")
    answer_window_ms: float = told("How long the sender listens for it besides its own length, ms; 0 where none is sent.")
    tries: int = told("Most sendings of one reading on a hop; a class without acknowledgement sends once.")
    retry_wait_s: tuple[float, ...] = told("Least and most random wait before the next try, s; empty where there is none.")
    longest_frame_ms: float = told("Time on the air of the longest reading that the plan has it send, ms; 0 if it sends none.")


@dataclass(frozen=True)
class Listening:
    """When the receiver is open."""

    how: str = told(
        "Always; in windows after its own reports; in short looks; a share of the time that its neighbours must know; for "
        "acknowledgements only; or never.",
        choices=("always", "after report", "sampled", "share", "acknowledgements", "never"),
    )
    share: float | None = told("Share of the time, where the property states it; null where it does not.")
    period_s: float | None = told("Time between two looks, s; null where it does not look.")
    window_ms: float | None = told("How long the receiver is open after a report, or in one look, ms; null for others.")


@dataclass(frozen=True)
class DutyBudget:
    """What the rules let the device send in an hour, and what the plan has it send."""

    limit_share: float = told("Share of any hour that it may be on the air.")
    budget_ms_per_hour: float = told("The same in ms.")
    planned_share: float = told("Share that the plan expects, repeats and acknowledgements included.")
    planned_fast_share: float = told("The same in the busiest hour.")
    rule: str = told("The rule.")


@dataclass(frozen=True)
class SlotSend:
    """A slot in which the device sends."""

    sensor: int = told("Number of the sensor whose reading it is.")
    to: int = told("Number of the device that takes it.")
    second_to: int | None = told(
        "Number of the device that takes it in this same slot when the first does not answer; null for none."
    )
    offset_ms: int = told(
        "Moment at which the frame goes out, ms after the start of the frame of slots; guard time is before and after."
    )


@dataclass(frozen=True)
class SlotListen:
    """A window in which the receiver is open for a slot of another device."""

    sender: int = told("Number of the device that sends.")
    sensor: int = told("Number of the sensor whose reading it is.")
    second_route: bool = told("Whether only a second route asks for it.")
    from_ms: int = told("Start of the window, ms after the start of the frame of slots.")
    to_ms: int = told("Its end; the acknowledgement is within.")


@dataclass(frozen=True)
class DeviceSlots:
    """The slots of one device."""

    every_frames: int | None = told("Sensor: frames of slots from one reading to the next; null for others.")
    fast_every_frames: int | None = told("The same in the fast mode; null where it has none.")
    first_frame: int | None = told("Sensor: frame of its first reading, counted from 0; null for others.")
    sends: tuple[SlotSend, ...] = told("When it sends; what is lost or late goes out in the open part.")
    listens: tuple[SlotListen, ...] = told("When it must listen for others.")
    listening_share: float = told("Most of the time that these windows take, with the open part where it listens for others.")


@dataclass(frozen=True)
class SlotFrame:
    """The frame of slots that all devices share. Frame 0 starts at midnight UTC of any day that the gateway chooses."""

    frame_ms: int = told("Time after which slots come again, ms.")
    used_ms: int = told("Part of it that slots take, ms, from its start.")
    open_ms: int = told(
        "Open part behind the slots, ms: what was lost goes out again, what came late for its slot goes on, and commands go out "
        "within it, each at a random moment, so that frame and answer end within it too."
    )
    least_ms: int = told("No order of slots takes less than this, ms; as used_ms where the order is proven to be the shortest.")
    clock_error_ppm: float = told("Most by which each clock may be wrong, millionths (slots.clock_error_ppm).")
    readings_between_settings: float = told("Readings after which a clock was set at the latest (slots.readings_between_settings).")


@dataclass(frozen=True)
class DeviceSettings:
    """All that is programmed into one device."""

    number: int = told("Its number, 1 to 65534; the same in every plan of the property (device_numbers.csv).")
    name: str = told("Its name in the property's files.")
    identifier: str = told("The name as C allows it, unique on the property.")
    plan_name: str = told("Its name in the plan, with the height of its antenna where several were offered.")
    role: str = told("What it is.", choices=("sensor", "relay", "gateway"))
    forwards: bool = told("Whether it sends on what others send.")
    served: bool = told("Whether its readings reach a gateway; false for a sensor without a route, which is not to be built yet.")
    parent: Neighbour | None = told("Device that it sends to; null for gateways and for sensors without a route.")
    second_parent: Neighbour | None = told("Device that it sends to when the parent does not answer; null where the plan has none.")
    hops: int | None = told("Hops to the gateway, 0 for the gateway itself; null without a route.")
    radios: tuple[RadioSetup, ...] = told("Its radios; more than one where it joins networks of two classes.")
    payload_bytes: int | None = told("Bytes of its own reading; null where it has none.")
    interval_s: float | None = told("Time between its readings, s; null where it has none.")
    fast_interval_s: float | None = told("The same in its fast mode (frost night, irrigation), s; null where it has none.")
    forwarding: tuple[Forwarding, ...] = told("Whose readings it sends on or takes in, and to whom.")
    listening: Listening = told("When its receiver is open, where it keeps no slots.")
    slots: DeviceSlots | None = told("Its slots; null where it keeps none.")
    duty: DutyBudget | None = told("What it may send in an hour; null where it is not in the plan.")
    expected: tuple[ExpectedSignal, ...] = told("What to expect of each of its links.")
    not_chosen: tuple[str, ...] = told("What must be programmed too and the plan does not choose, in sentences.")


@dataclass(frozen=True)
class DevicesFile:
    """Settings for every device of a plan."""

    property_name: str = told("Name of the property.")
    version: str = told("Version of meshplan that made it.")
    cautions: tuple[str, ...] = told("What to keep in mind before relying on these figures.")
    slots: SlotFrame | None = told("The frame of slots; null where there are none.")
    slots_note: str = told("What slots give, or why there are none.")
    devices: tuple[DeviceSettings, ...] = told("Every sensor, and each relay and gateway of the plan, by number.")
