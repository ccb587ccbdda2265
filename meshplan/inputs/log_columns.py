"""The columns of a log that a gateway or broker kept, each described once."""

from __future__ import annotations

from typing import Final

from meshplan.inputs.columns import Column, text

LOG_COLUMNS: Final = (
    Column("time", "When the packet arrived: ISO 8601, or seconds, milliseconds, microseconds or nanoseconds since 1970. Without a "
           "zone it is universal time, unless --zone says otherwise.", text(60), required=True,
           aliases=("date_time", "timestamp", "received_at", "rx_time", "datetime", "date", "utc", "ts", "last_seen",
                    "@timestamp")),
    Column("device", "Name of the device as the plan has it, or what --device says.", text(200), required=True,
           aliases=("name", "node", "node_id", "device_id", "device_name", "id", "sender", "from", "a", "sensor", "address",
                    "dev_addr", "dev_eui", "topic", "serial")),
    Column("heard_by", "Who heard it and measured the power. Default: the next device on the planned route.", text(200),
           aliases=("receiver", "b", "to", "gateway", "gateway_id", "gw", "rx", "via", "parent", "base")),
    Column("power_dbm", "Received power.", text(40), unit="dBm",
           aliases=("rssi_dbm", "rssi", "signal_dbm", "level_dbm", "power", "signal", "rx_power_dbm")),
    Column("snr_db", "Signal over noise.", text(40), unit="dB", aliases=("snr", "lsnr")),
    Column("counter", "Packet counter of the device.", text(40),
           aliases=("sequence", "seq", "f_cnt", "fcnt", "frame_counter", "count", "packet", "packet_id", "seq_no", "msg_id")),
    Column("cell_v", "Voltage of the cells, one or all in series; above 100 it is millivolt.", text(40), unit="V",
           aliases=("voltage", "voltage_v", "battery_v", "battery_voltage", "vbat", "volt", "cell", "battery_mv", "cell_mv",
                    "voltage_mv", "vcc")),
    Column("temperature_c", "Temperature at the cells.", text(40), unit="°C", aliases=("temperature", "temp", "temp_c", "t_c")),
    Column("hop", "Hops that the packet took, 1 where its receiver is the gateway.", text(40), aliases=("hops", "hop_count")),
)  # fmt: skip
NUMBERS: Final = ("power_dbm", "snr_db", "counter", "cell_v", "temperature_c", "hop")
