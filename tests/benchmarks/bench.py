"""The bench against its bars: start, first page, idle, and with `--week` worker against command.

`python -m tests.benchmarks.bench` prints each bar with what was measured. The map's bar:
`pytest -s -m slow tests/browser/test_map_page.py -k dragged`.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

from roadlog.demo import make_study

ENV = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
IDLE_S = 30.0
RESTS_AFTER_S = 100.0  # the process that answers ends after 90 s
TIMES = 5


def said(what: str, bar: str, measured: str) -> None:
    print(f"{what:<58} bar {bar:<9} {measured}", flush=True)


class Opened:
    """`roadlog open`, and a browser without a screen that was let in."""

    def __init__(self, home: Path) -> None:
        began = time.perf_counter()
        program = [sys.executable, "-P", "-m", "roadlog", "open", str(home), "--no-browser"]
        self.process = subprocess.Popen(program, stdout=subprocess.PIPE, text=True, env=ENV)
        assert self.process.stdout is not None
        address = self.process.stdout.readline().split()[-1]
        self.start_s, self.start_cpu_s = time.perf_counter() - began, self.own_cpu_s()
        cookies = urllib.request.HTTPCookieProcessor()
        self.ask = urllib.request.build_opener(cookies).open
        self.origin = address.split("/enter")[0]
        began = time.perf_counter()
        self.ask(address).read()
        self.first_page_s = time.perf_counter() - began
        self.first_page_cpu_s = self.own_cpu_s() - self.start_cpu_s

    def page_s(self, path: str, visit: bool = False) -> float:
        """How long a page takes [s]; `visit` says that somebody waits for it, as browsers do."""
        told = {"sec-fetch-mode": "navigate", "sec-fetch-dest": "document"} if visit else {}
        began = time.perf_counter()
        self.ask(urllib.request.Request(self.origin + path, headers=told)).read()
        return time.perf_counter() - began

    def own_cpu_s(self) -> float:
        """Processor time of the app's own process so far [s]."""
        text = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2]
        return sum(map(int, text.split()[11:13])) / os.sysconf("SC_CLK_TCK")

    def processes(self) -> list[int]:
        """The app and what it started."""
        pids = [self.process.pid]
        for stat in Path("/proc").glob("[0-9]*/stat"):
            fields = stat.read_text().rpartition(")")[2].split()
            if int(fields[1]) == self.process.pid and fields[0] != "Z":
                pids.append(int(stat.parent.name))
        return pids

    def memory_mb(self) -> list[float]:
        """Resident memory of each process [MB]."""
        page = resource.getpagesize() / 1e6
        return [
            int(Path(f"/proc/{p}/statm").read_text().split()[1]) * page for p in self.processes()
        ]

    def cpu_s(self) -> float:
        """Processor time of all of them so far [s]."""
        tick = os.sysconf("SC_CLK_TCK")
        texts = [Path(f"/proc/{p}/stat").read_text().rpartition(")")[2] for p in self.processes()]
        return sum(sum(map(int, t.split()[11:13])) for t in texts) / tick

    def end(self) -> None:
        self.process.terminate()
        self.process.wait()


def start_and_pages(home: Path) -> None:
    """Each the best of `TIMES`: a machine that is shared only makes it longer."""
    starts, firsts, colds = [], [], []
    cpu = [1e9, 1e9]
    for _ in range(TIMES):
        app = Opened(home)
        colds.append(app.page_s("/study/collar", visit=True))
        starts.append(app.start_s)
        firsts.append(app.first_page_s)
        cpu = [min(cpu[0], app.start_cpu_s), min(cpu[1], app.first_page_cpu_s)]
        app.end()
    said("start, until it answers", "1.5 s", f"{min(starts):.2f} s, {cpu[0]:.2f} s of a core")
    said("first page", "150 ms", f"{min(firsts) * 1e3:.0f} ms, {cpu[1] * 1e3:.0f} ms of a core")
    said("a study right after the start: a page that says it wakes", "150 ms",
         f"{min(colds) * 1e3:.0f} ms")  # fmt: skip
    app = Opened(home)
    said("its facts, with the waking", "-", f"{app.page_s('/study/collar'):.2f} s")
    for path in ("", "/plan", "/today", "/logs", "/result", "/trials", "/publish"):
        app.page_s(f"/study/collar{path}")
        again = min(app.page_s(f"/study/collar{path}") for _ in range(3))
        said(f"awake: /study/…{path}", "150 ms", f"{again * 1e3:.0f} ms")
    idle(app)
    app.end()


def idle(app: Opened) -> None:
    app_mb, *warm = app.memory_mb()
    said("memory in use: app, process that answers", "-",
         f"{app_mb:.0f} + {sum(warm):.0f} MB")  # fmt: skip
    before = app.cpu_s()
    time.sleep(IDLE_S)
    said("processor, a tab open and nobody there", "1 %", f"{(app.cpu_s() - before) / IDLE_S:.2%}")
    time.sleep(RESTS_AFTER_S - IDLE_S)
    said("memory idle, all processes", "150 MB", f"{sum(app.memory_mb()):.0f} MB")


def week(home: Path) -> None:
    """The same analysis by the command and by a job's process, in turn; processor time."""
    from roadlog.bench.jobs import Jobs

    study = home / "week"
    make_study(study, days=10)
    command: list[float] = []
    worker: list[float] = []
    for _ in range(3):
        began = children_s()
        done = subprocess.run(
            [sys.executable, "-P", "-m", "roadlog", "analyze", str(study)],
            env=ENV, check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        assert done.returncode in (0, 1), done.returncode
        command.append(children_s() - began)
        began = children_s()
        os.environ.update(ENV)
        job = Jobs(home / "jobs").start("analyze", study=str(study))
        while (end := job.end()) is None:
            time.sleep(0.05)
        assert end["code"] in (0, 1), end["text"]
        os.waitpid(int((job.folder / "alive").read_text()), 0)
        worker.append(children_s() - began)
    share = min(worker) / min(command) - 1
    said("20 runs of a week: worker against command, processor", "+10 %",
         f"{min(worker):.2f} against {min(command):.2f} s: {share:+.0%}")  # fmt: skip


def children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--week", action="store_true", help="the analysis of a week too")
    a = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        if a.week:
            week(home / "work")
        else:
            make_study(home / "collar", days=8)
            start_and_pages(home)


if __name__ == "__main__":
    main()
