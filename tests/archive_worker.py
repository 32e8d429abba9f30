"""What the tests of kills and of concurrent builds run in processes of their own.

python archive_worker.py some ROOT SLUG WORKER COUNT    publish and decide COUNT times
python archive_worker.py nursery ROOT SLUG              fork a publisher for each line read, print its pid and end
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import factory
from msgspec.structs import replace

from dossier.archive import Archive

RENDERS = {f"part-{number}.wav": bytes([number]) * 400 for number in range(3)}


def publish_one(archive: Archive, slug: str, mark: str) -> str:
    """Publish the next revision, its page and renders naming `mark`; returns its id."""
    with archive.lock():
        revision = archive.next_revision(slug)
        data = factory.dossier(slug=slug, bars=1, revision=revision, identity=factory.hash_of(mark))
        data = replace(data, warnings=(mark,), decisions=archive.decisions(slug))
        archive.publish(data, f"<html>{revision} {mark}</html>", RENDERS)
        archive.write_index(lambda index: f"<html>{sum(len(beat.revisions) for beat in index.beats)}</html>")
        return revision


def publish_until_killed(root: str, slug: str, run: int) -> None:
    """Publish and decide without end."""
    archive = Archive(Path(root))
    number = 0
    while True:
        number += 1
        publish_one(archive, slug, f"run {run}, number {number}")
        archive.record(slug, factory.decision(text=f"run {run}, number {number}", status="note"))


def publish_some(root: str, slug: str, worker: int, count: int) -> None:
    """Publish `count` revisions and record as many decisions, among others that do the same."""
    archive = Archive(Path(root))
    for number in range(count):
        publish_one(archive, slug, f"worker {worker}, number {number}")
        archive.record(slug, factory.decision(by=f"worker {worker}", text=str(number), status="note"))


def publish_killed_at(root: str, slug: str, step: int) -> None:
    """Publish and decide once; the process kills itself just before its `step`-th flush, rename or removal."""
    done = 0

    def counted(real: Callable[..., Any]) -> Callable[..., Any]:
        def operation(*arguments: Any, **options: Any) -> Any:
            nonlocal done
            if done == step:
                os.kill(os.getpid(), signal.SIGKILL)
            done += 1
            return real(*arguments, **options)

        return operation

    for name in ("fsync", "rename", "replace", "mkdir", "rmdir", "unlink"):
        setattr(os, name, counted(getattr(os, name)))
    archive = Archive(Path(root))
    publish_one(archive, slug, f"step {step}")
    archive.record(slug, factory.decision(text=f"step {step}", status="note"))


def nursery(root: str, slug: str) -> None:
    """For each line on standard input, `go` or a step, start a publisher, say its pid and, once it ended, how."""
    for run, told in enumerate(sys.stdin):
        pid = os.fork()
        if pid == 0:
            if told == "go\n":
                publish_until_killed(root, slug, run)
            publish_killed_at(root, slug, int(told))
            os._exit(0)
        print(pid, flush=True)
        print(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), flush=True)


if __name__ == "__main__":
    if sys.argv[1] == "some":
        publish_some(sys.argv[2], sys.argv[3], int(sys.argv[4]), int(sys.argv[5]))
    else:
        nursery(sys.argv[2], sys.argv[3])
