"""Stand-ins for the process of a run, told what to do by the file `worker.txt` of the case."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path


def say(**message):
    print(json.dumps(message), flush=True)  # noqa: T201


def main():
    folder = Path(sys.argv[1])
    out = folder / ".run" / "out"
    out.mkdir()
    kind = (folder / "worker.txt").read_text(encoding="utf-8")
    (out / "half.txt").write_text("half", encoding="utf-8")
    if kind == "stubborn":
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
    say(stage="registering the bite")
    if kind in ("endless", "stubborn"):
        child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
        (folder / "pids.txt").write_text(f"{os.getpid()} {child.pid}", encoding="utf-8")
        time.sleep(600)
    if kind == "wrong":
        say(error="the crown is 9.9 mm away")
        return 2
    if kind == "dies":
        os.kill(os.getpid(), signal.SIGKILL)
    if kind == "waits":
        while not (folder / "go.txt").exists():
            time.sleep(0.02)
    results = {"case_id": folder.name, "verdict": {"state": "sound", "high": True}}
    (out / "results.json").write_text(json.dumps(results), encoding="utf-8")
    page = "<!DOCTYPE html><title>report</title><p>a report</p>"
    (out / "report.html").write_text(page, encoding="utf-8")
    (out / "half.txt").unlink()
    say(done=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
