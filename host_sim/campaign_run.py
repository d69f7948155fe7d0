"""Run a campaign's blocks in one process, in several, or on a Dask cluster; stop and resume.

Finished blocks are appended to ``blocks.jsonl`` in the campaign's folder.  When all are done the
file is written again in the blocks' own order: an interrupted and resumed campaign ends with the
same bytes as one in a single go, and so does one on other cores or machines.
"""

from __future__ import annotations

import contextlib
import json
import logging
import multiprocessing
import os
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from sparktick.gen.errors import FolderError, RunError, ToolError
from sparktick.gen.files import write_file

from .campaign import Block, Score, Source, run_block, score_from

SCHEMA = 1
BLOCKS_FILE = "blocks.jsonl"
CLUSTER_WAIT_S = 10
AGAIN = "    Finished blocks are kept: the same command goes on from there."

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Where:
    """Where blocks are run: ``jobs`` processes here, or the Dask scheduler at ``cluster``."""

    jobs: int = 1
    cluster: str | None = None


def _line(value: dict[str, Any]) -> str:
    return json.dumps(value, sort_keys=True, allow_nan=False) + "\n"


class Store:
    """The file of finished blocks.

    Opening one that holds another campaign raises FolderError, unless ``restart``.  A last line
    that was cut off, by a full disk or a kill, is forgotten.
    """

    def __init__(
        self, folder: Path, source: Source, blocks: Sequence[Block], *, restart: bool = False
    ) -> None:
        self.path = folder / BLOCKS_FILE
        self.blocks = tuple(blocks)
        self.source = source
        self.header = _line(
            {
                "kind": "sparktick campaign",
                "schema": SCHEMA,
                "source": source.digest,
                "blocks": [asdict(block) for block in blocks],
            }
        )
        self.done: dict[str, Score] = {}
        if self.path.exists() and not restart:
            self._read()
        self._write_whole()

    def _read(self) -> None:
        try:
            text = self.path.read_text(encoding="utf-8")
        except (OSError, ValueError) as error:
            raise FolderError(f"{self.path}: cannot be read: {error}") from error
        lines = text.splitlines(keepends=True)
        if not lines or not lines[0].endswith("\n"):
            return
        if lines[0] != self.header:
            raise FolderError(
                f"{self.path}: holds blocks of another campaign, or of another firmware\n"
                "    Choose another folder with --out, or --restart to replace it."
            )
        known = {block.key for block in self.blocks}
        for line in lines[1:]:
            try:
                found = json.loads(line)
                key, score = Block(**found["block"]).key, score_from(found["score"])
            except (ValueError, KeyError, TypeError):
                break  # cut off: what follows is not to be trusted either
            if key in known and line.endswith("\n"):
                self.done[key] = score

    def _write_whole(self) -> None:
        lines = [self._row(block) for block in self.blocks if block.key in self.done]
        write_file(self.path, self.header + "".join(lines))

    def _row(self, block: Block) -> str:
        return _line({"block": asdict(block), "score": asdict(self.done[block.key])})

    @property
    def waiting(self) -> list[Block]:
        """Blocks that are not done."""
        return [block for block in self.blocks if block.key not in self.done]

    def add(self, block: Block, score: Score) -> None:
        """Keep a finished block."""
        self.done[block.key] = score
        try:
            with self.path.open("a", encoding="utf-8") as stream:
                stream.write(self._row(block))
        except OSError as error:
            raise FolderError(
                f"{self.path}: cannot be written: {error.strerror or error}\n{AGAIN}"
            ) from error

    def finish(self) -> list[tuple[Block, Score]]:
        """Write the blocks in their order; return them."""
        self._write_whole()
        return [(block, self.done[block.key]) for block in self.blocks]


def task(source: Source, block: Block, tool_version: str) -> dict[str, Any]:
    """Run one block on a worker, which must be of the same version as who asks."""
    own = version("sparktick")
    if own != tool_version:
        raise RunError(f"a worker has sparktick {own}, {tool_version} is wanted")
    return run_block(source, block)


@dataclass(frozen=True)
class Spread:
    """How blocks are sent; ``alive`` tells whether anybody is there to take them."""

    send: Callable[[Block], Future[Any]]
    alive: Callable[[], bool]


@contextlib.contextmanager
def _cluster(address: str, source: Source) -> Iterator[Spread]:
    try:
        import distributed
    except ImportError as error:
        raise ToolError(
            "--cluster needs the package distributed: pip install 'sparktick[cluster]'"
        ) from error
    for name in ("distributed", "distributed.client", "tornado"):  # a lost cluster is told below
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    open_client: Any = distributed.Client
    try:
        client = open_client(address, timeout=CLUSTER_WAIT_S)
    except (OSError, ValueError, TimeoutError) as error:
        raise RunError(
            f"--cluster {address}: no Dask scheduler answers there ({error})\n"
            "    `dask scheduler` prints its address, as in tcp://192.168.1.5:8786."
        ) from error
    with client:
        try:
            client.wait_for_workers(1, timeout=CLUSTER_WAIT_S)
        except TimeoutError as error:
            raise RunError(
                f"--cluster {address}: the scheduler has no workers\n"
                f"    Start one: `dask worker {address}`."
            ) from error
        executor: Executor = client.get_executor(retries=1)
        own = version("sparktick")
        yield Spread(
            lambda block: executor.submit(task, source, block, own), lambda: bool(client.nthreads())
        )


def _end_with_parent() -> None:
    """Let a worker process end when who began it is killed: nobody would ever send it a block."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


given: list[Source] = []


def _begin_worker(source: Source) -> None:
    """Give a worker process the files once: a pipe full of them would hang a pool that breaks."""
    given[:] = [source]
    _end_with_parent()


def task_given(block: Block, tool_version: str) -> dict[str, Any]:
    """Run one block of the files that this worker process was given."""
    return task(given[0], block, tool_version)


@contextlib.contextmanager
def _spread(where: Where, source: Source) -> Iterator[Spread]:
    if where.cluster is not None:
        with _cluster(where.cluster, source) as found:
            yield found
        return
    context = multiprocessing.get_context("spawn")
    own = version("sparktick")
    with ProcessPoolExecutor(where.jobs, context, _begin_worker, (source,)) as executor:
        try:
            yield Spread(lambda block: executor.submit(task_given, block, own), lambda: True)
        except BaseException:
            executor.shutdown(wait=False, cancel_futures=True)
            raise


def _lost_workers() -> tuple[type[BaseException], ...]:
    """Return what is raised when a worker or the cluster goes away."""
    found: list[type[BaseException]] = [BrokenProcessPool, CancelledError]
    with contextlib.suppress(ImportError):
        from distributed import KilledWorker
        from distributed.client import FutureCancelledError
        from distributed.comm.core import CommClosedError

        found += [KilledWorker, FutureCancelledError, CommClosedError]
    return tuple(found)


def _what_died(error: BaseException) -> str:
    """Return who went away; a scheduler's end cancels all its blocks."""
    cancelled = isinstance(error, CancelledError)
    return "the scheduler went away, or a worker died," if cancelled else "a worker died"


def _finished(futures: Iterable[Future[Any]], alive: Callable[[], bool]) -> Iterator[Future[Any]]:
    """Yield futures as they finish; RunError when nobody is left to work at them."""
    waiting = set(futures)
    while waiting:
        done, waiting = wait(waiting, timeout=CLUSTER_WAIT_S, return_when=FIRST_COMPLETED)
        if not done and not alive():
            raise RunError(
                "the cluster has lost all its workers; their output says why (is sparktick "
                f"installed there?)\n{AGAIN}"
            )
        yield from done


def _run_spread(source: Source, store: Store, where: Where, told: Progress) -> None:
    with _spread(where, source) as spread:
        futures: dict[Future[Any], Block] = {spread.send(block): block for block in store.waiting}
        try:
            for future in _finished(futures, spread.alive):
                block = futures[future]
                try:
                    values = future.result()
                except _lost_workers() as error:
                    raise RunError(
                        f"{_what_died(error)} while it ran a block ({block.key}): "
                        f"{type(error).__name__}\n{AGAIN}"
                    ) from error
                store.add(block, score_from(values))
                told(len(store.done), len(store.blocks))
        finally:
            for future in futures:
                future.cancel()


def run_blocks(
    source: Source, store: Store, where: Where | None = None, progress: Progress | None = None
) -> list[tuple[Block, Score]]:
    """Run what is not done yet; return all blocks with their scores, in the blocks' order.

    Raises RunError when a worker or the cluster is lost, FolderError when the disk is full; what
    was finished until then is kept.
    """
    where = where or Where()
    told = progress or (lambda done, of: None)
    told(len(store.done), len(store.blocks))
    if where.cluster is None and where.jobs == 1:
        for block in store.waiting:
            store.add(block, score_from(run_block(source, block)))
            told(len(store.done), len(store.blocks))
    elif store.waiting:
        _run_spread(source, store, where, told)
    return store.finish()
