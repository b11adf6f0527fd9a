"""Leads through the job: which step is up, what the worker is given, what is kept. Draws nothing."""

from __future__ import annotations

import os
import shlex
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from breakerbench.app import job as jobs
from breakerbench.app import specs
from breakerbench.app.job import DONE, OPEN, SKIPPED, Job, Settings
from breakerbench.app.snapshot import Phase, Snapshot, Task
from breakerbench.app.steps.step import Said, Step
from breakerbench.app.worker import Worker
from breakerbench.bench.faults import with_faults
from breakerbench.bench.scenario import healthy
from breakerbench.errors import BadInput
from breakerbench.judge.specification import Specification, find_specification
from breakerbench.measure.hand_zero import hand_zero
from breakerbench.papers.subject import Collected, Subject
from breakerbench.papers.words import Shown
from breakerbench.sources.line import SIM, is_simulated

#: Moves on by itself so long after a step has told that it is done, s: the answer is to be read.
MOVES_ON_S = 2.5
#: Judged where the coil or the condenser was measured, before what a dry feed tells of it.
OF_THE_CIRCUIT = ("contact.", "coil.", "spark.", "supply.", "condenser.")


class Guide:
    """The job, its settings and results, and the step that is up.

    state_folder  where settings are kept and, unless told otherwise, the jobs
    """

    def __init__(self, worker: Worker, state_folder: str) -> None:
        self.worker = worker
        self.state_folder = state_folder
        self.settings = jobs.load_settings(self._settings_path)
        self.job = Job()
        self.spec: Specification | None = None
        self.results: dict[str, dict[str, Any]] = {}
        self.collected: dict[str, Collected] = {}
        self.steps: list[Step] = []
        self.current: Step | None = None
        self.trouble = ""  # see ``say``
        #: The cautions were read since the program was started.
        self.cautioned = False
        #: A result came just now: the step may move on by itself.
        self._fresh = False
        self._given: Task | None = None
        self._handled = False
        self._done_s: float | None = None

    def say(self, trouble: str) -> None:
        """To the person, until the next step; a sentence with the mend."""
        self.trouble = trouble

    # --- what is kept ---

    @property
    def _settings_path(self) -> str:
        return os.path.join(self.state_folder, jobs.SETTINGS_FILE)

    @property
    def jobs_folder(self) -> str:
        return self.settings.folder or os.path.join(self.state_folder, "jobs")

    @property
    def shown(self) -> Shown:
        return Shown(self.settings.degrees, self.settings.speed, self.settings.gap)

    def set(self, **changes: Any) -> None:
        """Changes settings and keeps them."""
        self.settings = replace(self.settings, **changes)
        self._keep(self.settings, self._settings_path)

    def change_job(self, job: Job) -> None:
        """The job as it stands now, kept."""
        self.job = job
        if job.folder:
            self._keep(job, os.path.join(job.folder, jobs.STATE_FILE))

    def _keep(self, value: Job | Settings, path: str) -> None:
        try:
            os.makedirs(os.path.dirname(path), exist_ok=True)
            jobs.save(value, path)
        except OSError as error:
            self.trouble = (
                f"{path}: cannot be written ({error.strerror}); make room on the disk, or choose "
                "another folder in the settings"
            )

    def restore(self) -> bool:
        """The job that was on the bench when the program ended; whether there is one."""
        folder = self.settings.current
        job = jobs.load_job(folder) if folder else None
        if job is None:
            return False
        self.job = replace(job, folder=folder)
        if job.spec:
            try:
                self.spec = find_specification(os.path.join(folder, specs.COPY))
            except BadInput as problem:
                self.trouble = str(problem)
        for key, state in job.steps.items():
            result = jobs.load_result(state.recording) if state.recording else None
            if result is not None:
                self.results[key] = result
        return True

    def new_job(self, tag: str, spec: str, port: str, faults: tuple[str, ...] = ()) -> bool:
        """A job of its own folder for this distributor; whether it could be begun."""
        try:
            if spec:
                specs.load(spec)  # before a folder is made
            folder = jobs.new_folder(self.jobs_folder, tag)
            self.spec = specs.keep(spec, folder) if spec else None
        except BadInput as problem:
            self.trouble = str(problem)
            return False
        except OSError as error:
            self.trouble = (
                f"{self.jobs_folder}: no folder can be made there ({error.strerror}); choose "
                "another in the settings"
            )
            return False
        self.trouble = ""
        self.results, self.collected = {}, {}
        self.change_job(Job(tag, spec, port, faults, None, folder))
        self.set(last=self.job, current=folder)
        return True

    # --- the steps ---

    def index(self) -> int:
        return self.steps.index(self.current) if self.current in self.steps else 0

    def go_to(self, step: Step) -> None:
        """Any step may be entered at any time."""
        if self.current is not None:  # what was said as the job came back is to be read first
            self.trouble = ""
        self.current = step
        self._done_s, self._fresh = None, False
        self.change_job(replace(self.job, at=step.key))
        step.enter()
        self.resume()

    def resume(self) -> None:
        """The step that is up goes on: it is looked at again, measured, or begun."""
        step = self.current
        if step is None:
            return
        recorded = self.job.step(step.key).recording
        task = step.task()
        if step.key in self.results:
            self.give(None)
        elif task is not None and os.path.isfile(recorded):
            # It was left, or the program ended, before its result was there.
            self.give(replace(task, place=recorded, live=False, mode=None, told={}))
        else:
            self.begin(step)

    def begin(self, step: Step) -> None:
        """The step's own task."""
        self._done_s, self._fresh = None, False
        self.give(step.task())

    def again(self, step: Step) -> None:
        """The step's own task anew; what was recorded stays on the disk."""
        self.trouble = ""
        self.results.pop(step.key, None)
        self.collected.pop(step.key, None)
        if self.job.step(step.key).state != OPEN:
            self.change_job(self.job.with_step(step.key, state=OPEN, reason="", recording=""))
        step.enter()
        self.begin(step)

    def touched(self) -> None:
        """The person is at it: nothing moves on by itself any more."""
        self._fresh = False

    def give(self, task: Task | None) -> None:
        """The worker's next task; None: it rests."""
        if task is None and self._given is None:
            return
        self._given, self._handled = task, False
        self.worker.give(task)

    def next_step(self) -> None:
        """This one is done; the next that is not, comes up."""
        step = self.current
        if step is not None and self.job.step(step.key).state != DONE:
            self.change_job(self.job.with_step(step.key, state=DONE, reason=""))
        self._on()

    def skip(self, reason: str) -> None:
        """This one is left out, for a reason that is kept."""
        if self.current is not None:
            self.change_job(self.job.with_step(self.current.key, state=SKIPPED, reason=reason))
        self._on()

    def _on(self) -> None:
        at = self.index()
        for step in self.steps[at + 1 :]:
            already = step.already()
            if already is None:
                break
            if self.job.step(step.key).state == OPEN:
                self.change_job(
                    self.job.with_step(step.key, state=already.state, reason=already.reason)
                )
        later = [s for s in self.steps[at + 1 :] if self.job.step(s.key).state == OPEN]
        following = later or self.steps[at + 1 : at + 2] or self.steps[-1:]
        if following:
            self.go_to(following[0])

    def next_distributor(self) -> None:
        """This job is over; the next begins with the first step, the last one's choices in the form."""
        last = self.job
        self.job = Job(spec=last.spec, port=last.port, faults=last.faults)
        self.spec, self.results, self.collected = None, {}, {}
        self.set(current="")
        self.go_to(self.steps[0])

    def back(self) -> None:
        if self.steps and self.index() > 0:
            self.go_to(self.steps[self.index() - 1])

    # --- thirty times a second ---

    def tick(self, now_s: float) -> tuple[Snapshot, Said]:
        """The newest look, taken up; what the step that is up says of it."""
        snapshot = self.worker.snapshot
        if snapshot.task is not self._given:  # of the task before
            snapshot = Snapshot(task=self._given, at_s=now_s, phase=Phase.OPENING)
            if self._given is None:
                snapshot = Snapshot(at_s=now_s)
        step = self.current
        if step is None:
            return snapshot, Said("")
        recording = snapshot.phase in (Phase.RECORDING, Phase.WORKING_OUT)
        if recording and snapshot.path != self.job.step(step.key).recording:
            self.change_job(
                self.job.with_step(step.key, recording=snapshot.path, state=OPEN, reason="")
            )
            self.results.pop(step.key, None)
            self.collected.pop(step.key, None)
        if snapshot.phase is Phase.DONE and not self._handled:
            self._handled = self._fresh = True
            self._take(step, snapshot)
        said = step.draw(snapshot)
        if not (said.done and self._fresh):
            self._done_s = None
        elif self._done_s is None:
            self._done_s = now_s
        elif now_s - self._done_s >= MOVES_ON_S:
            self._done_s = None
            self.next_step()
        return snapshot, said

    def _take(self, step: Step, snapshot: Snapshot) -> None:
        """The result of the step's recording is there."""
        assert snapshot.result is not None
        result = dict(snapshot.result)
        self.results[step.key] = result
        self.collected[step.key] = snapshot.collected
        try:
            jobs.save_result(snapshot.path, result)
        except OSError as error:
            self.trouble = (
                f"{jobs.result_path(snapshot.path)}: cannot be written ({error.strerror}); the "
                "recording is kept, make room and measure it again"
            )
        self.change_job(
            self.job.with_step(step.key, state=DONE, reason="", recording=snapshot.path)
        )

    # --- what steps ask ---

    def port(self, *options: str) -> str:
        """Name of the port; of the simulated board with its distributor's faults and these options."""
        if not is_simulated(self.job.port):
            return self.job.port
        faults = [f"--fault {shlex.quote(fault)}" for fault in self.job.faults]
        gap = self.job.sim_gap_mm
        turned = [] if gap is None else [f"--gap-mm={gap:.4f}"]
        return " ".join([SIM, *faults, *turned, *options])

    def turn_simulated_screw(self, mm: float) -> None:
        """The simulated distributor's gap, wider or closer."""
        gap = self.job.sim_gap_mm
        try:
            gap = simulated_gap_mm(self.job.faults) if gap is None else gap
        except BadInput as problem:
            self.trouble = str(problem)
            return
        self.change_job(replace(self.job, sim_gap_mm=gap + mm))

    @property
    def simulated(self) -> bool:
        return is_simulated(self.job.port)

    def told(self) -> dict[str, Any]:
        """What the person has stated of the bench."""
        s = self.settings
        told: dict[str, Any] = {}
        if s.encoder_pulses:
            told["encoder_pulses"] = s.encoder_pulses
        return told

    def stem(self, name: str) -> str:
        """Path of a recording of this job, without its end."""
        return os.path.join(self.job.folder or self.jobs_folder, name)

    def zero(self) -> Any:
        """Where the openings stand at rest, from the hand-turned step, if that gave it."""
        by_hand = self.results.get("hand")
        return hand_zero(by_hand["hand"]) if by_hand else None

    def subject(self, key: str, title: str) -> Subject | None:
        """What the pictures of a step's result are drawn from."""
        result = self.results.get(key)
        if result is None:
            return None
        extra = self.collected.get(key, Collected())
        return Subject(title, result, self.spec, self.shown, *extra)

    def decisions(self) -> list[Mapping[str, Any]]:
        """One decision for each limit: of the step that measured it, the others left out.

        Where several did: of the first in the job's order, what is of the circuit of the last.
        """
        best: dict[tuple[str, Any], Mapping[str, Any]] = {}
        order = [step.key for step in self.steps]
        for name in sorted(self.results, key=order.index):
            for one in self.results[name].get("decisions") or ():
                key = (one["what"], one.get("at"))
                measured = one["decision"] != "not measured"
                better = measured and one["what"].startswith(OF_THE_CIRCUIT)
                if key not in best or best[key]["decision"] == "not measured" or better:
                    best[key] = one
        measured = {what for (what, at), one in best.items() if one["decision"] != "not measured"}
        return [
            one
            for (what, _), one in best.items()
            if one["decision"] != "not measured" or what not in measured
        ]


def simulated_gap_mm(faults: tuple[str, ...]) -> float:
    """Contact gap of the simulated distributor as it comes in."""
    return with_faults(healthy(), faults).cam.gap_mm
