"""The columns of a file of readings, each described once."""

from __future__ import annotations

import datetime
import re
from typing import Final

from meshplan.inputs.columns import Column, UnfitValueError, angle, as_number, number, plain, text

NOT_HEARD: Final = "not heard"
_NOT_HEARD_WORDS = ("not heard", "nothing", "none", "lost", "no", "-", "--", "–", "unheard")
_MONTHS = ("january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november", "december")
_LOCAL_DATE = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4})(?:[ T]+(\d{1,2}:\d{2}(?::\d{2})?))?")


def _power(value: object) -> float | str:
    """Parse a received power, or the words for "nothing was heard"."""
    if isinstance(value, str) and value.strip().casefold() in _NOT_HEARD_WORDS:
        return NOT_HEARD
    stripped = re.sub(r"\s*dBm$", "", str(value).strip(), flags=re.IGNORECASE)
    power_dbm = as_number(stripped, unit="dBm")
    if power_dbm > 20:
        raise UnfitValueError(
            f"{plain(power_dbm)} dBm has lost its minus sign", f"Received power is negative: write {plain(-power_dbm)}."
        )
    if power_dbm > 0:
        raise UnfitValueError(
            f"{plain(power_dbm)} dBm is too strong to be received",
            "If it is an SNR, write it under snr_db; if it is the transmit power, under tx_power_dbm.",
        )
    if power_dbm < -174:
        raise UnfitValueError(f"{plain(power_dbm)} dBm lies below all noise", "Look whether the figure is in dBm.")
    return power_dbm


def _count(value: object) -> int:
    """Parse a count of packets; a percentage or a share is refused."""
    written = str(value).strip()
    if written.endswith("%"):
        raise UnfitValueError(
            f"'{written}' is a percentage", "Write how many packets were counted: 95 of 100 proves more than 19 of 20."
        )
    packets = as_number(value)
    if packets < 0:
        raise UnfitValueError(f"{plain(packets)} packets is impossible", "Write 0 or more.")
    if packets != int(packets):
        raise UnfitValueError(
            f"{plain(packets)} is not a count", "Write how many packets were counted, not their share or percentage."
        )
    return int(packets)


def _percent(value: object) -> float:
    """Refuse a column of percentages."""
    raise UnfitValueError(f"'{value}' is a percentage", "Write packets: how many under 'sent', how many under 'received'.")


def read_time(value: object) -> datetime.datetime:
    """Parse a date with or without a time; without a zone it is taken as universal time."""
    written = str(value).strip()
    if re.fullmatch(r"\d{9,11}(\.\d+)?", written):
        return datetime.datetime.fromtimestamp(float(written), tz=datetime.UTC)
    if re.fullmatch(r"\d{12,13}", written):
        return datetime.datetime.fromtimestamp(int(written) / 1000, tz=datetime.UTC)
    local = _LOCAL_DATE.fullmatch(written)
    if local:
        first, mark, second, year, clock = local.groups()
        if mark != "." and int(first) <= 12 and int(second) <= 12 and first != second:
            raise UnfitValueError(f"'{written}' does not say which is day and which is month", "Write it as 2026-05-04.")
        day, month = (int(first), int(second)) if int(second) <= 12 else (int(second), int(first))
        written = f"{year}-{month:02d}-{day:02d}" + (f"T{clock.zfill(5) if len(clock) < 6 else clock.zfill(8)}" if clock else "")
    try:
        parsed = datetime.datetime.fromisoformat(written)
    except ValueError as error:
        raise UnfitValueError(f"'{value}' is not a date", "Write it as 2026-05-04 or 2026-05-04 14:30.") from error
    return parsed if parsed.tzinfo else parsed.replace(tzinfo=datetime.UTC)


def _month(value: object) -> int:
    """Parse a month by name or number."""
    word = str(value).strip().casefold()
    for index, name in enumerate(_MONTHS, start=1):
        if word == name or (len(word) == 3 and name.startswith(word)):
            return index
    return int(number(1, 12)(value))


def _heard(value: object) -> bool:
    """Parse yes or no."""
    word = str(value).strip().casefold()
    if word in ("yes", "y", "true", "1", "x", "heard"):
        return True
    if word in (*_NOT_HEARD_WORDS, "n", "false", "0"):
        return False
    raise UnfitValueError(f"'{value}' is neither yes nor no", "Write yes if something was heard, no if not.")


_LON, _LAT = angle(180, name="longitude", other="latitude"), angle(90, name="latitude", other="longitude")
_HEIGHT = number(0.01, 200, unit="m")

READING_COLUMNS: Final = (
    Column("a", "The end that sent: name of a site, or any name if its coordinates are given.", text(80),
           aliases=("from", "sender", "tx", "transmitter", "node", "device", "location_id", "tx_id", "a_name", "source",
                    "sensor", "tx_name")),
    Column("b", "The end that listened.", text(80),
           aliases=("to", "receiver", "rx", "gateway", "gateway_id", "gw", "rx_id", "base", "b_name", "base_station", "rx_name")),
    Column("a_lon_deg", "Longitude of a, WGS 84.", _LON, unit="degrees",
           aliases=("a_lon", "tx_lon_deg", "tx_lon", "lon_deg", "lon", "lng", "longitude", "sender_lon", "from_lon")),
    Column("a_lat_deg", "Latitude of a, WGS 84.", _LAT, unit="degrees",
           aliases=("a_lat", "tx_lat_deg", "tx_lat", "lat_deg", "lat", "latitude", "sender_lat", "from_lat")),
    Column("b_lon_deg", "Longitude of b.", _LON, unit="degrees",
           aliases=("b_lon", "rx_lon_deg", "rx_lon", "gw_lon_deg", "gw_lon", "gateway_lon", "to_lon")),
    Column("b_lat_deg", "Latitude of b.", _LAT, unit="degrees",
           aliases=("b_lat", "rx_lat_deg", "rx_lat", "gw_lat_deg", "gw_lat", "gateway_lat", "to_lat")),
    Column("a_antenna_agl_m", "Height of a's antenna above the ground while measuring.", _HEIGHT, unit="m",
           default_words="that of the site",
           aliases=("a_height_m", "tx_height_m", "tx_antenna_agl_m", "tx_h_m", "height_m", "h_tx_m", "tx_agl_m")),
    Column("b_antenna_agl_m", "Height of b's antenna above the ground while measuring.", _HEIGHT, unit="m",
           default_words="that of the site",
           aliases=("b_height_m", "rx_height_m", "gw_height_m", "rx_antenna_agl_m", "gw_antenna_agl_m", "rx_h_m",
                    "h_rx_m", "rx_agl_m", "gw_agl_m")),
    Column("location", "Name of the spot where the walker stood; spots of one name are left out together.", text(80),
           aliases=("spot", "place", "position_id", "point")),
    Column("date_time", "When: 2026-05-04 14:30. Without a zone it is universal time.", read_time,
           aliases=("time", "timestamp", "date", "datetime", "utc", "received_at")),
    Column("month", "Month, by name or number, if there is no time.", _month),
    Column("season", "Season of the plan in which it was measured (bare, leaf, wet, snow, …).", text(40), default=""),
    Column("radio", "Key of the radio class or of the pair of radios used.", text(60), default="",
           aliases=("radio_key", "device_type")),
    Column("frequency_mhz", "Channel.", number(100, 6000, unit="MHz"), unit="MHz",
           default_words="that of the radio", aliases=("freq_mhz", "frequency", "freq")),
    Column("tx_power_dbm", "Transmit power of a while measuring.", number(-40, 40, unit="dBm"), unit="dBm",
           default_words="that of the plan", aliases=("transmit_power_dbm", "tx_dbm")),
    Column("power_dbm", 'Power of the signal at b; "not heard" if a sent and nothing came.', _power, unit="dBm",
           aliases=("signal_power_dbm", "measured_dbm", "received_dbm", "rx_power_dbm", "prx_dbm", "power", "rx_dbm",
                    "level_dbm", "measured_power_dbm")),
    Column("rssi_dbm", "Strength as the receiver shows it, noise included; with an SNR the noise is taken out.", _power,
           unit="dBm", aliases=("rssi", "signal_dbm", "esp_dbm")),
    Column("snr_db", "Signal over noise.", number(-40, 80, unit="dB"), unit="dB", aliases=("snr", "lsnr")),
    Column("sent", "Packets sent.", _count, aliases=("packets_sent", "tx_packets", "sent_packets")),
    Column("received", "Packets received.", _count,
           aliases=("packets_received", "rx_packets", "received_packets", "heard_packets")),
    Column("heard", "no, if a sent and b heard nothing.", _heard, aliases=("success",)),
    Column("received_percent", "Not read: write counts.", _percent,
           aliases=("percent", "pdr", "prr", "per", "received_%", "%", "delivery_percent", "success_percent", "loss_percent",
                    "lost_percent")),
    Column("note", "Anything.", text(500), default="", aliases=("notes", "remark", "comment")),
)  # fmt: skip
