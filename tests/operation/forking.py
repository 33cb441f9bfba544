"""A process with the command line loaded, which forks for each command: ``running.commands``.

Reads a line of JSON for each command and answers with its return code. What is forked is a process
of its own, with its own environment, files and arguments; it saves loading the program each time.
"""

import json
import os
import sys
import traceback
from typing import Any

from service.commands.main import main


def run(command: dict[str, Any]) -> None:
    """Become the command, in a process just forked; never comes back."""
    for number, name in enumerate(("typed", "out", "err")):
        os.dup2(os.open(command[name], os.O_WRONLY if number else os.O_RDONLY), number)
    sys.stdin = open(0, closefd=False)  # noqa: SIM115 - until the end
    os.environ.clear()
    os.environ.update(command["environment"])
    sys.argv = ["layerbook", *command["words"]]
    code = 1
    try:
        main()
        code = 0
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
    except BaseException:  # noqa: BLE001 - told, and the process ends
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


if __name__ == "__main__":
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            run(json.loads(line))
        _, status = os.waitpid(child, 0)
        os.write(1, f"{os.waitstatus_to_exitcode(status)}\n".encode())
