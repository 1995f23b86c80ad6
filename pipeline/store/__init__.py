"""What was read and reported, kept so that nothing unchanged is done twice: `<REPORTS>/.store/`.

    .store/units/<unit>/index.json       which files were read, and what the unit's report rests on
    .store/units/<unit>/<id>.parquet     one log as it was read
    .store/units/<unit>/history.jsonl    a line for each day on which the unit was reported anew
    .store/making/                       reports under way; they move to their place whole
    .store/unpacked/                     units out of archives that hold several
    .store/damaged/                      what did not match its checksum, set aside
    .store/run.lock, watch.lock, post.lock  each held by one process at a time

All but the history can be made again from the inputs, and is, whenever it is missing or damaged.
"""

from pipeline.store.history import PastReport, history_csv, read_history, visit_of, with_visit
from pipeline.store.lock import Locked, held
from pipeline.store.place import StorePlace
from pipeline.store.unit_store import KeptReport, UnitStore, outputs_of
from pipeline.store.unpack import unpack_fleets

__all__ = [
    "KeptReport",
    "Locked",
    "PastReport",
    "StorePlace",
    "UnitStore",
    "held",
    "history_csv",
    "outputs_of",
    "read_history",
    "unpack_fleets",
    "visit_of",
    "with_visit",
]
