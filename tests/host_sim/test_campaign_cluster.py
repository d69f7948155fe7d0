"""If this fails, a campaign on a Dask cluster gives other figures than at home, or hides a loss."""

from __future__ import annotations

import multiprocessing
import os
import socket
import subprocess
import sys
import warnings
from collections.abc import Iterator
from pathlib import Path

import distributed
import pytest

from sparktick.gen.errors import RunError
from sparktick.host_sim import campaign_run
from sparktick.host_sim.campaign import Block, Source, plan_blocks, read_source
from sparktick.host_sim.campaign_run import BLOCKS_FILE, Store, Where, run_blocks

# The cluster's own threads and sockets outlive it by a moment; that is not ours.
pytestmark = [
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]

CLOSE_S = 20  # the tests here end workers; what is tested is over by then
BLOCKS = plan_blocks(("ringing", "iso-3a"), (1.0,), (2000.0, 7000.0), (1, 2), 200)


@pytest.fixture(scope="module")
def source(plover: Path) -> Source:
    return read_source(plover)


@pytest.fixture(scope="module")
def cluster() -> Iterator[object]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        made = distributed.LocalCluster(
            n_workers=1, threads_per_worker=2, dashboard_address=None, host="127.0.0.1"
        )
        yield made
        try:
            made.close(timeout=CLOSE_S)
        except TimeoutError:  # Dask waits for ever for a worker that its nanny is starting anew
            for process in multiprocessing.active_children():
                process.kill()


def test_a_cluster_gives_the_same_bytes(source: Source, cluster: object, tmp_path: Path) -> None:
    where = Where(cluster=cluster.scheduler_address)  # type: ignore[attr-defined]
    run_blocks(source, Store(tmp_path / "here", source, BLOCKS))
    run_blocks(source, Store(tmp_path / "there", source, BLOCKS), where)
    here, there = ((tmp_path / name / BLOCKS_FILE).read_bytes() for name in ("here", "there"))
    assert here == there


def die(source: Source, block: Block, tool_version: str) -> dict[str, object]:
    """Stand in for a block that takes its worker down, as a machine that is switched off."""
    if block.seed == 2:
        os._exit(1)
    return campaign_run.run_block(source, block)


def die_given(block: Block, tool_version: str) -> dict[str, object]:
    """Do the same in a process of this machine."""
    return die(campaign_run.given[0], block, tool_version)


def test_a_process_that_dies_is_told_and_the_rest_is_kept(
    source: Source, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pool that sent the files with each block hung here at its end: its pipe was full."""
    monkeypatch.setattr(campaign_run, "task_given", die_given)
    check_loss(source, tmp_path, Where(jobs=2), "a worker died")


def test_a_cluster_worker_that_dies_is_told_and_the_rest_is_kept(
    source: Source, cluster: object, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def die_there(source: Source, block: Block, tool_version: str) -> dict[str, object]:
        import os

        from sparktick.host_sim.campaign import run_block

        if block.seed == 2:
            os._exit(1)
        return run_block(source, block)

    die_there.__module__ = "__main__"  # sent as it stands: the workers have no tests
    monkeypatch.setattr(campaign_run, "task", die_there)
    check_loss(source, tmp_path, address_of(cluster), "a worker died")


def test_a_cluster_whose_workers_go_is_told(
    source: Source, cluster: object, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A worker that cannot read what it is sent leaves; the campaign must not wait for ever."""
    monkeypatch.setattr(campaign_run, "CLUSTER_WAIT_S", 3)
    monkeypatch.setattr(campaign_run, "task", die)  # of a module that workers do not have
    check_loss(source, tmp_path, address_of(cluster), "a worker died|lost all its workers")


def test_a_scheduler_that_goes_is_told(
    source: Source, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a cluster's machine that is switched off in the middle."""
    scheduler = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1"]
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", "--no-nanny", "--no-dashboard"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    begun = [
        subprocess.Popen([*scheduler, "--port", str(port), "--no-dashboard"], **quiet),  # type: ignore[call-overload]
        subprocess.Popen([*worker, address, "--nthreads", "1"], **quiet),  # type: ignore[call-overload]
    ]
    store = Store(tmp_path, source, BLOCKS)

    def go(done: int, of: int) -> None:
        if done == 1:
            begun[0].kill()

    try:
        with pytest.raises(RunError, match=r"scheduler went away.*\n.*goes on from there"):
            run_blocks(source, store, Where(cluster=address), go)
    finally:
        for process in begun:
            process.kill()
            process.wait()
    assert Store(tmp_path, source, BLOCKS).done


def address_of(cluster: object) -> Where:
    return Where(cluster=cluster.scheduler_address)  # type: ignore[attr-defined]


def check_loss(source: Source, folder: Path, where: Where, said: str) -> None:
    store = Store(folder, source, BLOCKS)
    with pytest.raises(RunError, match=rf"({said}).*\n.*goes on from there"):
        run_blocks(source, store, where)
    again = Store(folder, source, BLOCKS)
    assert set(again.done) == set(store.done)
    run_blocks(source, again)
    assert not again.waiting


def test_a_worker_of_another_version_is_refused(source: Source) -> None:
    with pytest.raises(RunError, match=r"a worker has sparktick .*, 0\.0 is wanted"):
        campaign_run.task(source, BLOCKS[0], "0.0")


def test_a_cluster_that_is_not_there_is_named(
    source: Source, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(campaign_run, "CLUSTER_WAIT_S", 1)
    store = Store(tmp_path, source, BLOCKS)
    with pytest.raises(RunError, match="no Dask scheduler answers there"):
        run_blocks(source, store, Where(cluster="tcp://127.0.0.1:9"))
