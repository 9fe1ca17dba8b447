"""The record: readings, decisions, plans and learnt parameters in one SQLite file.

One process writes; any number read, also while it writes and after it was killed.
"""

from controller.store.failures import StoreDamaged, StoreFailed, StoreMissing, StoreUnsuitable
from controller.store.reader import Reader, open_reader
from controller.store.writer import Writer, open_lasting_writer, open_writer

__all__ = [
    "Reader",
    "StoreDamaged",
    "StoreFailed",
    "StoreMissing",
    "StoreUnsuitable",
    "Writer",
    "open_lasting_writer",
    "open_reader",
    "open_writer",
]
