"""A cluster's workers make the picture that threads make, bit for bit; what cannot help says so."""

from __future__ import annotations

import pickle
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

from belvedere.cli.main import run as belvedere
from belvedere.demo.render import write_set
from belvedere.demo.sets import set_spec
from belvedere.errors import ClusterFailed, UnreadableFile
from belvedere.pipeline import cluster as cluster_module
from belvedere.pipeline.cluster import Cluster

distributed = pytest.importorskip("distributed")


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """A scheduler and two worker processes on loopback."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
    ) as local:
        yield local.scheduler_address


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("frames")
    write_set(set_spec("row", megapixels=0.3, columns=4), folder)
    return folder


def _times_two(number: int) -> int:
    return 2 * number


def _fail_at_three(number: int) -> int:
    if number == 3:
        raise UnreadableFile(Path("a.jpg"), "is cut short")
    return number


def test_two_workers_make_the_same_picture(address: str, frames: Path, tmp_path: Path) -> None:
    here, there = tmp_path / "here" / "a.tif", tmp_path / "there" / "a.tif"
    for out, more in ((here, []), (there, ["--scheduler", address])):
        out.parent.mkdir()
        assert belvedere(["stitch", str(frames), "--out", str(out), "--quiet", *more]) in (0, 3)
    assert here.read_bytes() == there.read_bytes()
    assert np.ptp(tifffile.imread(here)[..., 3]) > 0


def test_two_workers_make_the_same_linear_dng(address: str, tmp_path: Path) -> None:
    raw = tmp_path / "raw"
    write_set(replace(set_spec("row", megapixels=0.3, columns=3), raw="dng"), raw)
    here, there = tmp_path / "here" / "a.dng", tmp_path / "there" / "a.dng"
    for out, more in ((here, []), (there, ["--scheduler", address])):
        out.parent.mkdir()
        command = ["stitch", str(raw), "--as", "linear-dng", "--out", str(out), "--quiet"]
        assert belvedere([*command, *more]) in (0, 3)
    assert here.read_bytes() == there.read_bytes()


def test_results_come_in_the_order_of_the_jobs(address: str) -> None:
    with Cluster(address) as cluster:
        assert cluster.threads == 2
        assert list(cluster(_times_two, range(40))) == [2 * n for n in range(40)]


def test_a_fault_in_a_worker_comes_back_in_words(address: str) -> None:
    with Cluster(address) as cluster:
        results = cluster(_fail_at_three, range(10))
        assert [next(results) for _ in range(3)] == [0, 1, 2]
        with pytest.raises(UnreadableFile, match=r"a\.jpg: is cut short"):
            next(results)


def test_jobs_nobody_waits_for_are_given_up(address: str) -> None:
    with Cluster(address) as cluster:
        results = cluster(_times_two, iter(range(10**9)))  # endless: no more than a few may be taken
        assert next(results) == 0
        results.close()  # type: ignore[attr-defined]


def test_a_worker_with_other_code_is_refused(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    own = cluster_module._our_code()
    # workers look the function up in their own, untouched module
    monkeypatch.setattr(cluster_module, "code_versions", lambda rooms: {**own, "compose": "another"})
    with pytest.raises(ClusterFailed, match="another Belvedere"):
        Cluster(address)


def test_nothing_at_the_address_is_said(
    frames: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster_module, "_CONNECT_S", 1.0)  # nobody comes later either
    out = tmp_path / "a.tif"
    code = belvedere(
        ["stitch", str(frames), "--out", str(out), "--quiet", "--scheduler", "tcp://127.0.0.1:9"]
    )
    assert code == 2
    assert "nothing answers there" in capsys.readouterr().err
    assert not out.exists()
    assert not list(tmp_path.rglob("*.tiles"))  # said before anything is decoded


def test_a_store_that_another_machine_does_not_see_is_named(frames: Path, tmp_path: Path) -> None:
    from belvedere.capture.frame_store import FrameStore
    from belvedere.capture.gather import gather
    from belvedere.errors import OutputFailed

    store = FrameStore(tmp_path / "frames", gather([frames]).frames)
    store.build_one(0)
    sent = pickle.dumps(store)
    with pickle.loads(sent) as again:
        assert np.array_equal(again.whole(0, 0), store.whole(0, 0))
    store.close()
    (tmp_path / "frames").rename(tmp_path / "elsewhere")
    with pytest.raises(OutputFailed, match="does not see this folder"):
        pickle.loads(sent)
