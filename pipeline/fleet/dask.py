"""Work on items on a Dask cluster: the same promises as `pipeline.fleet.processes`, past one machine.

At most two items a worker are under way (one at work, one waiting beside it), so neither the scheduler nor this process
holds more than that. An item whose worker dies is begun anew on another. One that was there when several workers died
may only have sat beside the item that killed them: it is begun once more when all others are done, with no other item
under way, and only if its workers die then too is it given up. `on_death` says what stands in for its result.
"""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import CancelledError
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

from pipeline import __version__
from pipeline.errors import UsageError
from pipeline.fleet.processes import interrupts_blocked

if TYPE_CHECKING:
    from distributed import Client, Future

Item = TypeVar("Item")
Result = TypeVar("Result")

LOCAL = "local"

RETRIES = 2
"""How often an item is begun anew after an error, such as a share that was away for a moment."""

CONNECT_S = 10.0
START_S = 120.0
WAIT_FOR_WORKERS_S = 60.0
"""So long may a cluster be without any worker, at the start and later on, before what is left is given up. A worker that
starts on a busy machine has much to load."""

FETCH_S = 20.0
"""In so long a result, some kilobytes, comes over any network; later it is asked for again."""

_AHEAD = 2  # items under way a worker: the second is at hand when the first is done
_POLL_S = 1.0


@contextlib.contextmanager
def connected(address: str, *, workers: int = 0) -> Iterator[Client]:
    """A client of the scheduler at `address` (`tcp://…`), or of a cluster on this machine (`local`).

    workers: processes of a local cluster; 0: one a core. Raises UsageError where no cluster can be had, or its workers
    hold another version of this program.
    """
    try:
        import dask
        from distributed import Client, LocalCluster
    except ImportError as error:
        raise UsageError(
            "--cluster needs the extra of that name", remedy="pip install 'icelogs[cluster]'"
        ) from error
    if address != LOCAL and "://" not in address:
        raise UsageError(
            f'"{address}" is no address of a scheduler', remedy=f"write tcp://HOST:8786, or {LOCAL}"
        )
    # A worker that is lost is no news: its items are begun anew, and what was given up is told by whoever asked for it.
    logging.getLogger("distributed").setLevel(logging.ERROR)
    with contextlib.ExitStack() as stack:
        if address == LOCAL:
            # Some time after a worker died the cluster looks whether there is one in its place; if that one is just being
            # started, it would be closed for good.
            stack.enter_context(dask.config.set({"distributed.deploy.lost-worker-timeout": "30 days"}))
            with interrupts_blocked():
                cluster = LocalCluster(
                    n_workers=workers or None,
                    threads_per_worker=1,
                    host="127.0.0.1",
                    dashboard_address="127.0.0.1:0",
                    silence_logs=logging.ERROR,
                )
                address = stack.enter_context(cluster).scheduler_address
        try:
            client = stack.enter_context(Client(address, timeout=CONNECT_S, set_as_default=False))
        except (OSError, ValueError, TimeoutError) as error:
            raise UsageError(
                f'no scheduler answers at "{address}"',
                remedy='start one with "dask scheduler" and give the address it prints',
            ) from error
        _check_workers(client)
        yield client


def seen_by_all(client: Client, looks: Callable[[], bool]) -> bool:
    """Whether `looks` (importable) is true on every worker that is there now."""
    return all(client.run(looks).values())


def spread_out(
    work: Callable[[Item], Result],
    items: Iterable[Item],
    *,
    client: Client,
    on_death: Callable[[Item], Result],
    load: Sequence[str] = (),
) -> Iterator[Result]:
    """Results of `work` over `items`, in the order in which they come.

    work: an importable function, there on the workers too. load: names of modules that a worker imports before it.
    """
    from distributed import KilledWorker

    waiting = _Line(items)
    suspects: list[Item] = []  # workers died under them, and another item may be to blame
    under_way: dict[Future, Item] = {}
    alone_since: float | None = None

    def begin(item: Item) -> None:
        future = client.submit(partial(_serve, work, tuple(load)), item, pure=False, retries=RETRIES)
        under_way[future] = item

    try:
        one_by_one = False
        while waiting or under_way or suspects:
            seats = len(client.scheduler_info(n_workers=-1).get("workers", ()))
            while waiting and client.status == "running" and len(under_way) < max(seats, 1) * _AHEAD:
                begin(waiting.take())
            if suspects and not under_way and client.status == "running":
                one_by_one = True
                begin(suspects.pop())
            done = _done_of(under_way, client)
            for future in done:
                item = under_way.pop(future)
                failed = future.status == "error"
                if future.cancelled():  # the way to the scheduler was lost, and what it knew of us with it
                    waiting.put_back(item)
                elif failed and not one_by_one and isinstance(future.exception(), KilledWorker):
                    suspects.append(item)
                    future.release()
                elif failed:
                    future.release()
                    yield on_death(item)
                elif (fetched := _fetched(future)) is not _NOTHING:
                    future.release()
                    alone_since = None
                    yield fetched
                else:
                    under_way[future] = item
            alone_since = None if seats else (alone_since or time.monotonic())
            too_long = alone_since is not None and time.monotonic() - alone_since > WAIT_FOR_WORKERS_S
            if too_long or client.status == "closed":
                lost = [*under_way.values(), *suspects, *waiting]
                _let_go(under_way, client)
                yield from map(on_death, lost)
                return
    finally:
        _let_go(under_way, client)


class _Line:
    """Items that wait; one that was begun in vain goes to the front again."""

    def __init__(self, items: Iterable[Item]) -> None:
        self.items = iter(items)
        self.ahead: list[Item] = []

    def __bool__(self) -> bool:
        if not self.ahead:
            self.ahead = [item for item in [next(self.items, _NOTHING)] if item is not _NOTHING]
        return bool(self.ahead)

    def take(self) -> Item:
        return self.ahead.pop()

    def put_back(self, item: Item) -> None:
        self.ahead.append(item)

    def __iter__(self) -> Iterator[Item]:
        while self:
            yield self.take()


def _let_go(under_way: dict[Future, Item], client: Client) -> None:
    if under_way and client.status == "running":
        client.cancel(list(under_way))
    under_way.clear()


def _done_of(under_way: Iterable[Future], client: Client) -> list[Future]:
    """Those that have come to an end, good or bad; waits a moment for the first."""
    from distributed import wait

    if not under_way:
        time.sleep(_POLL_S)
        return []
    with client.as_current(), contextlib.suppress(TimeoutError, CancelledError):
        wait(list(under_way), timeout=_POLL_S, return_when="FIRST_COMPLETED")
    return [future for future in under_way if future.done()]


def _fetched(future: Future) -> Any:
    """The result of a future that is done, or _NOTHING where it was lost with the worker that held it: it is made anew if
    there is another."""
    try:
        return future.result(timeout=FETCH_S)
    except TimeoutError:
        return _NOTHING
    except Exception:
        if future.status == "finished":  # it is there, and cannot be read
            raise
        return _NOTHING


_NOTHING = object()
_one_at_a_time = threading.Lock()


def _serve(work: Callable[[Item], Result], load: Sequence[str], item: Item) -> Result:
    """On a worker: one item at a time in one process, so that its memory is bounded however many threads it was given."""
    from pipeline.fleet.processes import get_ready

    with _one_at_a_time:
        get_ready(load)
        return work(item)


def _check_workers(client: Client) -> None:
    try:
        client.wait_for_workers(1, timeout=START_S)
    except TimeoutError as error:
        raise UsageError(
            "the scheduler has no worker",
            remedy='start some with "dask worker" and the address of the scheduler',
        ) from error
    try:
        versions = client.run(_version)
    except Exception as error:  # whatever a worker raises that cannot import this module
        raise UsageError(
            f"the workers cannot load icelogs {__version__} ({type(error).__name__})",
            remedy="install it there, with the extra cluster",
        ) from error
    others = {version for version in versions.values() if version != __version__}
    if others:
        raise UsageError(
            f"workers hold icelogs {', '.join(sorted(others))}, and this is {__version__}",
            remedy="install the same version on all of them, so that all results are made alike",
        )


def _version() -> str:
    return __version__
