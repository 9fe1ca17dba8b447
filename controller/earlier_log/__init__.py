"""An owner's earlier log: a CSV file read into samples on the grid that learning uses.

``read_log`` is the only way in. It gives a whole log or raises with every problem found.
"""

from controller.earlier_log.csv_file import EarlierLog, Trace, read_log
from controller.earlier_log.problems import LogError
from controller.earlier_log.resampling import Sample, samples

__all__ = ["EarlierLog", "LogError", "Sample", "Trace", "read_log", "samples"]
