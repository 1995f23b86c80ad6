"""Work on items side by side in processes, with bounded memory, and outlive a worker that dies.

At most `workers` items are under way, one a process, so the next starts when there is room. A worker that is killed
(out of memory, a crash in native code) costs its own item only: `on_death` says what stands in for the result.
"""

from __future__ import annotations

import contextlib
import multiprocessing as mp
from collections.abc import Callable, Iterable, Iterator
from multiprocessing.connection import wait
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

ITEMS_A_WORKER = 200
"""A worker is replaced after so many items, so that what libraries cache cannot pile up over a large fleet."""


def side_by_side(
    work: Callable[[Item], Result],
    items: Iterable[Item],
    *,
    workers: int,
    on_death: Callable[[Item], Result],
    prepare: Callable[[], None] | None = None,
) -> Iterator[Result]:
    """Results of `work` over `items`, in the order in which they come.

    work, prepare: importable functions (they are sent to other processes); `prepare` runs once in each worker.
    """
    context = mp.get_context("spawn")
    waiting = iter(items)
    crew: list[_Worker] = []
    try:
        for item in waiting:
            crew.append(_Worker(context, work, prepare))
            crew[-1].give(item)
            if len(crew) == workers:
                break
        while crew:
            ready = set(wait([worker.pipe for worker in crew]))
            for worker in [w for w in crew if w.pipe in ready]:
                result = worker.take(on_death)
                if not worker.fit:
                    crew.remove(worker)
                    worker.stop()
                    worker = None
                item = next(waiting, _NOTHING)
                if item is not _NOTHING:
                    if worker is None:
                        worker = _Worker(context, work, prepare)
                        crew.append(worker)
                    worker.give(item)
                elif worker is not None:
                    crew.remove(worker)
                    worker.stop()
                yield result
    finally:
        for worker in crew:
            worker.kill()


_NOTHING = object()


class _Worker:
    """One process that takes an item, works on it, and sends back the result."""

    def __init__(self, context, work, prepare) -> None:
        self.pipe, far = context.Pipe()
        self.process = context.Process(target=_serve, args=(far, work, prepare), daemon=True)
        self.process.start()
        far.close()
        self.item = None
        self.served = 0
        self.fit = True

    def give(self, item) -> None:
        self.item = item
        with contextlib.suppress(BrokenPipeError, ConnectionError):  # it died: `take` meets the closed pipe and says so
            self.pipe.send(item)

    def take(self, on_death):
        self.served += 1
        try:
            result = self.pipe.recv()
        except (EOFError, ConnectionError):
            self.fit = False
            return on_death(self.item)
        self.fit = self.served < ITEMS_A_WORKER
        return result

    def stop(self) -> None:
        self.pipe.close()
        self.process.join(timeout=10)
        if self.process.is_alive():
            self.kill()

    def kill(self) -> None:
        self.process.kill()
        self.process.join()
        self.pipe.close()


def _serve(pipe, work, prepare) -> None:
    """The life of a worker: until the other side closes the pipe."""
    if prepare is not None:
        prepare()
    while True:
        try:
            item = pipe.recv()
        except (EOFError, KeyboardInterrupt):
            return
        pipe.send(work(item))
