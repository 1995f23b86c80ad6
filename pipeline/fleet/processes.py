"""Work on items side by side in processes, with bounded memory, and outlive a worker that dies.

At most `workers` items are under way, one a process, so the next starts when there is room. A worker that is killed
(out of memory, a crash in native code) costs its own item only: `on_death` says what stands in for the result.
"""

from __future__ import annotations

import contextlib
import importlib
import multiprocessing as mp
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from multiprocessing.connection import wait
from typing import TypeVar

from pipeline.fleet import threads

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
    load: Sequence[str] = (),
) -> Iterator[Result]:
    """Results of `work` over `items`, in the order in which they come.

    work: an importable function (it is sent to other processes).
    load: names of modules that each worker imports before its first item, so that none is imported twice where the
        system can share them.
    """
    context = context_for(load)
    waiting = iter(items)
    crew: list[_Worker] = []
    try:
        for item in waiting:
            crew.append(_Worker(context, work, load))
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
                        worker = _Worker(context, work, load)
                        crew.append(worker)
                    worker.give(item)
                elif worker is not None:
                    crew.remove(worker)
                    worker.stop()
                yield result
    finally:
        for worker in crew:
            worker.kill()


def get_ready(load: Sequence[str]) -> None:
    """Make this process a worker: modules loaded, and Arrow's own pools, which heed no variable, at one thread."""
    import pyarrow as pa

    pa.set_cpu_count(1)
    pa.set_io_thread_count(1)
    for module in load:
        importlib.import_module(module)


@contextlib.contextmanager
def interrupts_blocked() -> Iterator[None]:
    """Block SIGINT in processes that are started in the block: a terminal sends it to the whole group, and the parent
    decides what ends.

    A child inherits the signal mask (POSIX: fork, exec), so that it is not interrupted while it loads its modules. Windows
    has no such mask: there a worker ignores Ctrl-C once it has begun.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # starting it later, on the way, would lift the mask again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def leave_with_parent() -> None:
    """End this process as soon as the one that started it is gone, be it by SIGKILL.

    Otherwise it would go on with its item and write over what the next run has made.
    """
    parent = mp.parent_process()

    def wait_for_end() -> None:
        parent.join()
        os._exit(1)

    if parent is not None:
        threading.Thread(target=wait_for_end, daemon=True).start()


_NOTHING = object()


def context_for(load: Sequence[str]):
    """How processes that load these modules are started.

    On Linux workers are forked from a clean process that has the modules loaded: they start in milliseconds and share its
    memory. Elsewhere each starts afresh: forking after a framework was loaded is unsafe on macOS, and Windows cannot fork.
    """
    if sys.platform != "linux":
        return mp.get_context("spawn")
    from multiprocessing import forkserver

    context = mp.get_context("forkserver")
    context.set_forkserver_preload([__name__, *load])
    with _environment(threads.settings(threads.ALL)), interrupts_blocked():
        forkserver.ensure_running()  # it loads the modules meanwhile; what it forks inherits its mask
    return context


class _Worker:
    """One process that takes an item, works on it, and sends back the result."""

    def __init__(self, context, work, load) -> None:
        self.pipe, far = context.Pipe()
        self.process = context.Process(target=_serve, args=(far, work, load), daemon=True)
        # A start that an interrupt cuts short leaves a child that complains of half a message.
        with _environment(threads.settings(threads.ALL)), interrupts_blocked():
            self.process.start()
        far.close()
        self.item = None
        self.served = 0
        self.fit = True

    def give(self, item) -> None:
        self.item = item
        with contextlib.suppress(
            BrokenPipeError, ConnectionError
        ):  # it died: `take` meets the closed pipe and says so
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


@contextlib.contextmanager
def _environment(values: dict[str, str]) -> Iterator[None]:
    os.environ.update(values)
    try:
        yield
    finally:
        for name in values:
            del os.environ[name]


def _serve(pipe, work, load) -> None:
    """The life of a worker: until the other side closes the pipe."""
    signal.signal(
        signal.SIGINT, signal.SIG_IGN
    )  # Ctrl-C reaches the whole group; the parent decides what ends
    leave_with_parent()
    get_ready(load)
    while True:
        try:
            item = pipe.recv()
        except EOFError:
            return
        try:
            pipe.send(work(item))
        except BrokenPipeError:  # nobody waits for it any more
            return
