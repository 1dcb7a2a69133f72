"""Everything on one machine: a broker, an invented line with trains, the monitor, and what it finds, told in sentences.

Nothing here decides anything.
The tour of the simulator chooses what to break and when; every finding is the detections' own, made from what came over the broker.

The broker and the line are in one process, the monitor is another (`watching`): so it can be killed while trains run, and what it then knows can be counted against what the line has sent.
All of it stays on the loopback address and leaves nothing behind.
It runs as a rehearsal, twenty times as fast as the railway.
"""

from monitor.demo.example import example_line
from monitor.demo.show import Show, perform
from monitor.demo.teller import Teller

__all__ = ["Show", "Teller", "example_line", "perform"]
