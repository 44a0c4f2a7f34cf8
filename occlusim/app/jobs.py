"""Runs: each in a process of its own, a queue before them, ended by the process's own number.

A run writes into a folder aside; its results become those of the case in one step when it has
ended well, so a run that is cancelled, fails or is killed leaves what was there before.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Sequence
from typing import Any

from occlusim.app.english import WORDS
from occlusim.app.stages import share_at
from occlusim.app.store import BUSY, Store, StoredCase
from occlusim.errors import InputError, OcclusimError
from occlusim.files.case_file import read_case
from occlusim.report.summary import answer, tooth_words

WORKER = (sys.executable, "-m", "occlusim.app.run_case")
GRACE_S = 5.0


def slots_of_machine() -> int:
    """Return how many runs may go on at once: one for every two cores, which a run keeps busy."""
    return max(1, (os.cpu_count() or 1) // 2)


class Runs:
    """The queue of runs and the processes under way.

    Parameters
    ----------
    store
        The cases.
    slots
        How many runs may go on at once.
    worker
        The command of a run; the case's folder is added to it.
    """

    def __init__(
        self, store: Store, slots: int | None = None, worker: Sequence[str] = WORKER
    ) -> None:
        self._store = store
        self._slots = slots or slots_of_machine()
        self._worker = tuple(worker)
        self._lock = threading.RLock()
        self._queue: deque[StoredCase] = deque()
        self._children: dict[str, subprocess.Popen[str]] = {}
        self._stopped: set[str] = set()
        self._watchers: dict[str, threading.Thread] = {}
        self._closed = False

    def recover(self) -> None:
        """Say of runs that an earlier page left unfinished that they were interrupted."""
        for case in self._store.cases():
            case.discard_run()
            for left in case.folder.glob(".upload-*"):
                left.unlink(missing_ok=True)
            run = case.run()
            if run["state"] in BUSY:
                case.set_run({**run, "state": "interrupted", "ended": time.time()})

    def start(self, case: StoredCase) -> None:
        """Write the case file and put the case into the queue.

        Raises
        ------
        InputError
            If the case is running already, or is not complete; the message says what lacks.
        """
        with self._lock:
            if case.is_busy:
                raise InputError(WORDS["busy"])
            if case.problems():
                raise InputError(WORDS["not_complete"])
            read_case(case.write_case())
            case.set_run(
                {
                    "state": "queued",
                    "started": time.time(),
                    "share": 0.0,
                    "stage": "",
                    "fingerprint": case.fingerprint(),
                    "result_of": case.run().get("result_of"),
                }
            )
            self._queue.append(case)
        self._pump()

    def cancel(self, case: StoredCase) -> None:
        """Take a case out of the queue, or end its process and wait until it is gone."""
        with self._lock:
            waiting = next((c for c in self._queue if c.id == case.id), None)
            if waiting is not None:
                self._queue.remove(waiting)
                self._end(case, "cancelled")
                return
            child = self._children.get(case.id)
            watcher = self._watchers.get(case.id)
            if child is None or watcher is None:
                return
            self._stopped.add(case.id)
        _end_process(child)
        watcher.join()

    def place_in_queue(self, case: StoredCase) -> int:
        """Return how many cases wait before this one."""
        with self._lock:
            return next((k for k, c in enumerate(self._queue) if c.id == case.id), 0)

    def close(self) -> None:
        """End everything; what was waiting or running is interrupted."""
        with self._lock:
            self._closed = True
            waiting, running = list(self._queue), list(self._children)
            self._queue.clear()
            self._stopped.update(running)
        for case in waiting:
            self._end(case, "interrupted")
        for case_id in running:
            child, watcher = self._children.get(case_id), self._watchers.get(case_id)
            if child is not None:
                _end_process(child)
            if watcher is not None:
                watcher.join()

    def _pump(self) -> None:
        with self._lock:
            while self._queue and len(self._children) < self._slots and not self._closed:
                case = self._queue.popleft()
                try:
                    self._begin(case)
                except (OSError, OcclusimError) as error:
                    self._end(case, "failed", error=str(error))

    def _begin(self, case: StoredCase) -> None:
        case.begin_run()
        with (case.folder / "run.log").open("w", encoding="utf-8") as log:
            child = subprocess.Popen(
                [*self._worker, str(case.folder)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                encoding="utf-8",
                start_new_session=True,
            )
        self._children[case.id] = child
        case.set_run({**case.run(), "state": "running", "begun": time.time()})
        watcher = threading.Thread(target=self._watch, args=(case, child), daemon=True)
        self._watchers[case.id] = watcher
        watcher.start()

    def _watch(self, case: StoredCase, child: subprocess.Popen[str]) -> None:
        last: dict[str, Any] = {}
        for line in child.stdout or ():
            with contextlib.suppress(ValueError):
                last = json.loads(line)
            if "stage" in last:
                run = case.run()
                share = share_at(last["stage"], run.get("share", 0.0))
                case.set_run({**run, "stage": last["stage"], "share": share})
        code = child.wait()
        for pipe in (child.stdin, child.stdout):
            if pipe is not None:
                pipe.close()
        with self._lock:
            stopped = case.id in self._stopped
            self._stopped.discard(case.id)
            self._children.pop(case.id, None)
            self._watchers.pop(case.id, None)
            closed = self._closed
            self._finish(case, last, code, stopped, closed)
        self._pump()

    def _finish(
        self, case: StoredCase, last: dict[str, Any], code: int, stopped: bool, closed: bool
    ) -> None:
        try:
            if stopped:
                self._end(case, "interrupted" if closed else "cancelled")
            elif code == 0 and last.get("done"):
                case.publish()
                made_of = case.run().get("fingerprint")
                self._end(case, "done", result_of=made_of, **_answer_of(case))
            else:
                unexpected = WORDS["unexpected"].format(log=case.folder / "run.log", code=code)
                self._end(case, "failed", error=last.get("error") or unexpected)
        except (OSError, OcclusimError) as error:
            self._end(case, "failed", error=WORDS["not_published"].format(reason=error))

    def _end(self, case: StoredCase, state: str, **more: Any) -> None:
        case.discard_run()
        case.set_run({**case.run(), "state": state, "ended": time.time(), **more})


def _answer_of(case: StoredCase) -> dict[str, Any]:
    results = case.results() or {}
    return {
        "headline": answer(results).headline,
        "verdict": answer(results).state,
        "tooth": tooth_words(results),
    }


def _end_process(child: subprocess.Popen[str]) -> None:
    """End a process and what it has started, first asking, then not."""
    _signal(child, hard=False)
    try:
        child.wait(GRACE_S)
    except subprocess.TimeoutExpired:
        _signal(child, hard=True)
        child.wait()


def _signal(child: subprocess.Popen[str], *, hard: bool) -> None:
    if child.poll() is not None:
        return
    if os.name == "posix":  # its session has the same number and holds only what it has started
        with contextlib.suppress(ProcessLookupError):
            os.killpg(child.pid, signal.SIGKILL if hard else signal.SIGTERM)
    elif hard:
        child.kill()
    else:
        child.terminate()
