"""The waiting times and limits of control: all chosen by hand, none ever scanned.

| group | where it comes from | the script that checks it again |
| --- | --- | --- |
| silence | a balance sends several times a second; a cable pulled and put back takes some seconds | `tests.benchmarks.faults.month` |
| people and clients | what a person waits for; what a screen can show | `tests.benchmarks.speed.clients` |
| target | two digits: below it the digit itself is most of what is not known | `tests.benchmarks.settling` |

Units: seconds by the clock (which a twin may run faster than life), or of the machine's time where said.
"""  # noqa: E501

from __future__ import annotations

# -- silence ------------------------------------------------------------------------------------------

SILENCE_TOLERATED = 10.0  # s of the balance, before the run is held
#: The same in s of the machine's time, where the clock runs faster than life: the far end is a program then,
#: and a busy machine may not let it speak for a second or two.
LEAST_PATIENCE = 3.0
TELEMETRY_HOLDS = 10.0  # s; older telemetry is not of now (it comes every second)

# -- people and clients -------------------------------------------------------------------------------

REPLY_WITHIN = 10.0  # s of the machine's time; then the person hears that the store cannot be written
NEWEST = 50  # of readings that have piled up, where somebody only looks at them, the filter hears no more
LOG_SHOWN = 50  # events of the log that a new client is shown
#: Live readings and states of the devices are published at most once in this, s of the machine's time.
LIVE_EVERY, DEVICES_EVERY = 0.1, 1.0

# -- target -------------------------------------------------------------------------------------------

TARGET_DIGITS = 2.0  # standard uncertainty aimed at where none is given, in digits of the balance
