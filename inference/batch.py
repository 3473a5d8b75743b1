"""One cue or many into a file or a folder: one after another, on several processes, or on a cluster.

Workers only read and predict; this process writes and records, so that the store is opened by one process and a
worker that is lost loses nothing. Results come back in the order of the cues. What fails is told, and the rest is done.
"""

from __future__ import annotations

import logging
import os
import re
import shutil
import socket
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from io import StringIO
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from phrasewright.data.errors import InputError, PhrasewrightError, WorkerError
from phrasewright.data.files import MIDI_SUFFIXES, check_apart, check_folder, check_output, output_paths, write_whole
from phrasewright.data.profiles import read_profile
from phrasewright.inference.comparison_text import where_text
from phrasewright.inference.parts_at_once import MOST_A_CORE
from phrasewright.inference.shaping import Chosen, Shaped, ShapeOptions, chosen_predictor, shape_cue

CLUSTER_WAIT_S = 10
"""How long a scheduler, and its first worker, may take to answer."""
CUE_LIMIT_S = 3600
"""A cue that no worker of a cluster has returned after this long counts as lost."""
_PLAIN_WIDTH = 100
_SHARE_OF_PARTS = 0.9
"""Of the time of a cue; the rest is weaving, writing and recording."""
_LOOKS = 5
"""Passages to look at first that the text names; JSON and page have more."""


def cue_paths(inputs: Sequence[Path]) -> list[Path]:
    """The cues named: files as they are, and for a folder its .mid and .midi files by name, not those in folders in it.

    Raises
    ------
    InputError
        A folder holds no such file, or cannot be read.
    """
    paths: list[Path] = []
    for source in map(Path, inputs):
        if not os.path.isdir(source):  # unlike Path.is_dir, raises for no name
            paths.append(source)
            continue
        try:
            found = [p for p in source.iterdir() if p.suffix.lower() in MIDI_SUFFIXES and p.is_file()]
        except OSError as fault:
            raise InputError(f"{source}: cannot be read ({fault.strerror}); check the permissions") from fault
        inside = sorted(p for p in found if not p.name.startswith("."))
        if not inside:
            raise InputError(f"{source}: holds no .mid or .midi file; name the folder the cues were exported to")
        paths += inside
    return paths


def shape_files(
    inputs: Sequence[Path],
    target: str | Path,
    *,
    options: ShapeOptions | None = None,
    force: bool = False,
    jobs: int | None = 1,
    cluster: str | None = None,
    done: Callable[[float], object] = lambda share: None,
    record: Callable[[Shaped], str] | None = None,
    report: Path | None = None,
) -> dict[str, Any]:
    """Shape files into a file or a folder and return the summary, `{"cues": [...]}`.

    Outputs are checked before the first file is shaped; each is written whole when it is done, then recorded (`record`
    returns what the user should know of that, or nothing). The bytes written do not depend on `jobs` or `cluster`.

    Parameters
    ----------
    inputs : sequence of Path
        Files, and folders of files.
    jobs : int or None
        Processes to work on several cues, or on the parts of one; None for one cue after another, each on as many as
        pay (`parts_at_once.py`).
    cluster : str, optional
        Address of a Dask scheduler, such as tcp://host:8786, whose workers see the same files under the same names.
    done : function
        Called with the share of a cue that was done since the last call; they add up to 1 for each cue.
    report : Path, optional
        A page to look at, of all cues that could be shaped.

    Returns
    -------
    dict
        With `failed`, `[{"in", "why"}]`, where some of several cues could not be shaped.

    Raises
    ------
    InputError, UsageError
        As `cue_paths`, `output_paths` and, for a single cue, `shape_cue`.
    OutputError
        An output is already there and `force` is not given, or is an input, or cannot be written.
    WorkerError
        The cluster does not answer, or workers were lost.
    """
    options = options or ShapeOptions()
    paths = cue_paths(inputs)
    outputs = output_paths(paths, target)
    for out in outputs:
        check_output(out, inputs=paths, force=force)
    read = [*paths, *(Path(one) for one in (options.plan, options.profile, options.style) if one is not None)]
    if report is not None:
        check_output(report, inputs=read, force=force)
        check_apart([*outputs, report])
    check_folder(outputs[0].parent)
    shown: list[Shaped] = []
    cues: list[dict[str, Any]] = []
    failed: list[dict[str, str]] = []
    told = 0.0

    def parts_done(share: float) -> None:
        nonlocal told
        share = min(share * _SHARE_OF_PARTS, _SHARE_OF_PARTS - told)
        told += share
        done(share)

    results = shaped_cues(paths, options, jobs=jobs, cluster=cluster, done=parts_done)
    for source, out, shaped in zip(paths, outputs, results, strict=True):
        try:
            if isinstance(shaped, PhrasewrightError):
                raise shaped
            write_whole(out, shaped.content, force=force, inputs=paths)
        except PhrasewrightError as fault:
            if len(paths) == 1:
                raise
            failed.append({"in": str(source), "why": str(fault)})
        else:
            said = record(shaped) if record is not None else ""
            remarks = [*shaped.summary["remarks"], *([said] if said else [])]
            cues.append({**shaped.summary, "out": str(out), "remarks": remarks})
            if report is not None:
                shown.append(shaped)
        done(1.0 - told)
        told = 0.0
    if report is not None and shown:
        from phrasewright.inference.reporting import shape_report, write_report

        write_report(report, shape_report(shown, profile=options.profile), inputs=read, force=force)
    return {"cues": cues, "failed": failed} if failed else {"cues": cues}


def shaped_cues(
    paths: Sequence[Path],
    options: ShapeOptions,
    *,
    jobs: int | None = 1,
    cluster: str | None = None,
    done: Callable[[float], object] = lambda share: None,
) -> Iterator[Shaped | PhrasewrightError]:
    """Each cue shaped, or why it could not be, in the order of `paths`. Parameters and faults as in `shape_files`.

    `done` is told of shares of cues while they are shaped in this process, in which they add up to 1.
    """
    by = chosen_predictor(options)  # a style or a profile that cannot be used is told once, before anything is done
    if options.profile is not None:
        read_profile(options.profile)
    if cluster is None and (jobs is None or min(jobs, len(paths)) == 1):
        for path in paths:
            yield _shaped(path, options, by, jobs=jobs, done=done)
        return
    from joblib import Parallel, delayed
    from joblib.externals.loky.process_executor import TerminatedWorkerError

    n_done = 0
    try:
        with _workers(min(jobs or 1, len(paths), MOST_A_CORE * (os.cpu_count() or 1)), cluster) as (n_jobs, limit_s):
            parallel = Parallel(n_jobs=n_jobs, batch_size=1, timeout=limit_s, return_as="generator")
            for result in parallel(delayed(_shaped_apart)(path, options) for path in paths):
                n_done += 1
                yield result
    except TerminatedWorkerError:  # ended from outside, perhaps for want of memory: the rest here, one by one
        for path in paths[n_done:]:
            yield _shaped(path, options, by)
    except TimeoutError as fault:
        raise WorkerError(f"{cluster}: no worker answers; start workers, or leave --cluster out") from fault


@contextmanager
def _workers(jobs: int, cluster: str | None) -> Iterator[tuple[int, float | None]]:
    """A place for joblib to work: how many jobs at once, and how long one may take (seconds)."""
    from joblib import parallel_config

    if cluster is None:
        with parallel_config(backend="loky", inner_max_num_threads=1):
            yield jobs, None
        return
    try:
        from distributed import Client
    except ImportError as fault:
        raise WorkerError(
            "--cluster needs the package distributed, which is not installed; install phrasewright[cluster]"
        ) from fault
    silent = f"{cluster}: no scheduler answers there; write its address as tcp://host:8786, or leave --cluster out"
    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what is lost is told in our own words
    try:
        _greeted(cluster)
        client: Any = Client(cluster, timeout=CLUSTER_WAIT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, TimeoutError, ValueError) as fault:
        raise WorkerError(silent) from fault
    with client, parallel_config(backend="dask", client=client, wait_for_workers_timeout=CLUSTER_WAIT_S):
        yield -1, CUE_LIMIT_S


def _greeted(address: str) -> None:
    """Wait for a scheduler's first byte: its client would wait for ever for a server of another kind, such as the
    scheduler's own page. Raises OSError or ValueError.
    """
    place = urlsplit(address if "//" in address else f"//{address}")
    with socket.create_connection((place.hostname or "", place.port or 8786), timeout=CLUSTER_WAIT_S) as line:
        if place.scheme != "tls" and not line.recv(1):
            raise OSError("closed")


def _shaped(
    path: Path,
    options: ShapeOptions,
    by: Chosen,
    *,
    jobs: int | None = 1,
    done: Callable[[float], object] = lambda share: None,
) -> Shaped | PhrasewrightError:
    try:
        return shape_cue(path, options, chosen_by=by, jobs=jobs, done=done)
    except PhrasewrightError as fault:
        return fault


def _shaped_apart(path: Path, options: ShapeOptions) -> Shaped | PhrasewrightError:
    """The same in a worker, which loads what predicts once."""
    try:
        by = _loaded(options)
    except PhrasewrightError as fault:
        return fault
    return _shaped(path, options, by)


@lru_cache(maxsize=1)
def _loaded(options: ShapeOptions) -> Chosen:
    return chosen_predictor(options)


def summary_text(result: dict[str, Any]) -> str:
    """The summary for people: of one cue its parts, of several a table; then what they should know."""
    if len(result["cues"]) + len(result.get("failed", ())) > 1:
        return _table_text(result)
    return "\n".join(line for cue in result["cues"] for line in _cue_lines(cue))


def failure_lines(result: dict[str, Any]) -> list[str]:
    """One line for each cue that could not be shaped."""
    return [failure["why"] for failure in result.get("failed", ())]


def _cue_lines(cue: dict[str, Any]) -> list[str]:
    lines = [f"{cue['in']} -> {cue['out']} ({cue['seconds']:.1f} s, style: {cue['style']})"]
    width = max((len(part["name"]) for part in cue["parts"]), default=0)
    for part in cue["parts"]:
        title = f"  {part['index']:>3} {part['name']:<{width}}  "
        if part["skipped"] is not None:
            lines.append(f"{title}left as it is: {part['skipped']}")
            continue
        lanes = []
        for lane, told in part["lanes"].items():
            kept = f", {len(told['kept'])} kept" if told["kept"] else ""
            lanes.append(f"{lane} (controller {told['cc']}, {told['events']} events{kept})")
        lines.append(title + "; ".join(lanes))
        lines += [f"      {remark}" for remark in part["remarks"]]
        lines += [f"      {_joined_line(told)}" for told in part.get("joined", ())]
    lines += [f"  {remark}" for remark in cue["remarks"]]
    unsure = cue.get("look_first", ())[:_LOOKS]
    if unsure:
        lines.append("  look first where the model is least sure:")
        lines += [f"      {_unsure_line(told, cue)}" for told in unsure]
    return lines


def _unsure_line(told: dict[str, Any], cue: dict[str, Any]) -> str:
    (name,) = [part["name"] for part in cue["parts"] if part["index"] == told["part"]]
    return f"{where_text(told)}, {name}, {told['lane']}: two hands in three within {told['spread']:.0f} steps"


def _joined_line(told: dict[str, Any]) -> str:
    place = f"bar {told['bar']}" if told["bar"] is not None else f"{told['start_s']:.2f} s"
    seconds = f"{told['end_s'] - told['start_s']:.2f} s"
    return f"{place}: {told['n_notes']} notes of pitch {told['pitch']} joined into one of {seconds}"


def _table_text(result: dict[str, Any]) -> str:
    """One row a cue, remarks below, where parts that share one are told together."""
    from rich import box
    from rich.console import Console
    from rich.table import Table

    table = Table(box=box.SIMPLE)
    table.add_column("cue", overflow="fold")
    for title in ("length", "parts", "shaped", "events", "kept"):
        table.add_column(title, justify="right")
    remarks: list[str] = []
    for cue in result["cues"]:
        lanes = [told for part in cue["parts"] for told in part["lanes"].values()]
        seconds, name = round(cue["seconds"]), Path(cue["in"]).name
        counts = (
            len(cue["parts"]), sum(part["skipped"] is None for part in cue["parts"]),
            sum(told["events"] for told in lanes), sum(len(told["kept"]) for told in lanes),
        )  # fmt: skip
        table.add_row(name, f"{seconds // 60}:{seconds % 60:02d}", *map(str, counts))
        remarks += [f"{name}{said}" for said in _grouped(cue)]
        remarks += [
            f"{name}, {part['name']}: {_joined_line(told)}" for part in cue["parts"] for told in part.get("joined", ())
        ]
    for failure in result.get("failed", ()):
        table.add_row(Path(failure["in"]).name, "failed")
    page = StringIO()
    Console(file=page, width=shutil.get_terminal_size((_PLAIN_WIDTH, 24)).columns, markup=False).print(table)
    lines = [line.rstrip() for line in page.getvalue().splitlines() if line.strip()]
    if result["cues"]:
        lines.append(f"written to {Path(result['cues'][0]['out']).parent}")
    return "\n".join([*lines, *remarks])


def _grouped(cue: dict[str, Any]) -> list[str]:
    """What is said of the parts of a cue, remarks that differ in numbers only once, then of the cue."""
    groups: dict[str, list[tuple[str, str]]] = {}
    for part in cue["parts"]:
        for remark in part["remarks"]:
            groups.setdefault(re.sub(r"[\d, ]+", " ", remark), []).append((part["name"], remark))
    said = []
    for rows in groups.values():
        more = f" and {len(rows) - 1} more" if len(rows) > 1 else ""
        said.append(f", {rows[0][0]}{more}: {rows[0][1]}")
    return [*said, *(f": {remark}" for remark in cue["remarks"])]
