"""The process of one run: ``python -m occlusim.app.run_case FOLDER``.

It checks ``FOLDER/case.toml`` into ``FOLDER/.run/out`` and says on stdout, one JSON object a line,
which stage begins and how it ended. Its stdin is a pipe that the page's process holds: when that
process is gone, the pipe ends, and so does this one.
"""

from __future__ import annotations

import json
import os
import sys
import threading
from pathlib import Path
from typing import Any

from occlusim.errors import InputError, OcclusimError


def _say(**message: Any) -> None:
    sys.stdout.write(json.dumps(message) + "\n")
    sys.stdout.flush()


def _end_with_parent() -> None:
    while os.read(0, 1):  # not through sys.stdin: its lock would be held when Python shuts down
        pass
    os._exit(1)


def main() -> int:
    """Run the case; exit code 0 done, 1 no answer, 2 wrong input."""
    folder = Path(sys.argv[1])
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _say(stage="loading")
    from occlusim.pipeline import check_case  # noqa: PLC0415  (slow: the page wants a word first)

    try:
        check_case(
            folder / "case.toml",
            folder / ".run" / "out",
            progress=lambda words: _say(stage=words),
        )
    except OcclusimError as error:
        _say(error=str(error))
        return 2 if isinstance(error, InputError) else 1
    _say(done=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
