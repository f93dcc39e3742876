"""Our own programs as child processes: started one by one, stopped together, none left behind."""

import os
import signal
import subprocess
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

#: A worker may finish the paper it is at.
STOP_SECONDS = 30


class Crew:
    """The running children; what each one says goes to a log file of its own."""

    def __init__(self, logs: Path) -> None:
        self._logs = logs
        self._members: dict[str, subprocess.Popen[bytes]] = {}

    def start(self, name: str, command: Sequence[str], folder: Path) -> None:
        """Start a program in a session of its own, so that Ctrl-C reaches it through us alone."""
        with self.log(name).open("wb") as log:
            self._members[name] = subprocess.Popen(  # noqa: S603  (the demo's own commands)
                command, cwd=folder, env=os.environ, stdout=log, stderr=subprocess.STDOUT, start_new_session=True
            )

    def log(self, name: str) -> Path:
        """Where a program's words go."""
        return self._logs / f"{name}.log"

    def lost(self) -> str:
        """What to say about a program that ended by itself; "" while all run."""
        for name, process in self._members.items():
            if process.poll() is not None:
                said = self.log(name).read_text(errors="replace").splitlines()[-15:]
                return "\n".join(
                    [f"The {name} ended by itself (exit code {process.returncode}). Its last words:", *said]
                )
        return ""

    def stop(self) -> None:
        """End all of them, the last one started first, and wait until they are gone."""
        for process in reversed(self._members.values()):
            if process.poll() is None:
                process.terminate()
        until = time.monotonic() + STOP_SECONDS
        for process in self._members.values():
            _wait(process, max(0.0, until - time.monotonic()))


def _wait(process: subprocess.Popen[bytes], seconds: float) -> None:
    """Wait for a program that was told to end; with its own children it is killed when it won't."""
    try:
        process.wait(seconds)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()


@contextmanager
def crew(logs: Path) -> Iterator[Crew]:
    """A crew that is stopped when the block ends, however it ends; SIGTERM and SIGHUP end it like Ctrl-C."""
    logs.mkdir(parents=True, exist_ok=True)
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        # Under nohup a hangup is meant to be ignored.
        if number is not signal.SIGHUP or signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, signal.default_int_handler)
    members = Crew(logs)
    try:
        yield members
    finally:
        # A second Ctrl-C must not leave half of them running.
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, signal.SIG_IGN)
        members.stop()
