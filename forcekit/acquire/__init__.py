"""From the outside world to a `forcekit.model.Recording`.

device files    `toml_file` (TOML to a record, with sentences for mistakes), `device_check` (does it make
                sense), `device_file` (load and save device files and attempt cards)
recorded files  `source` (which reader for which suffix; `read`), `csv_file` (any table of numbers),
                `csv_text` (bytes to text), `csv_layout` (delimiter, decimal mark, header), `csv_units` (units
                in headers), `csv_rows` (rows to numbers), `csv_clock` (time stamps to seconds)
unknown files   `propose` (writes a device file for a table nobody described yet), `propose_names` (what a
                header says), `propose_signal` (what the numbers say), `propose_plates` and `propose_sensors`
                (columns to plates, cells, a bar sensor)
live devices    `wire` (frames), `receive` (bytes to frames), `foreign` (lines of text, radio payloads), `unwrap`
                (counters that wrap), `samples` and `decode` (any of these to samples), `device_text` (the device
                file a sensor carries)
links           `arrival` (what a link hands over), `watch` (silent, dead, asleep), `serial_port`, `ble`
recording       `capture` (devices to a journal), `recorder` (the crash-safe journal), `host_clock` (device clock
                against the laptop's), `take` (journal to streams on one clock), `recording_file` (the finished
                file and its reader); for work of your own, used by no command: `host_clock.host_time_u`, how sure
                a sample's time on the laptop's clock is (checked in `tests/acquire/test_host_clock.py`)
no hardware     `virtual` (pseudo-terminal), `virtual_ble` (radio), `replay` (any recording through either)
open formats    `c3d_file` (force platforms), `c3d_worker` (reads C3D in a process of its own)
"""
