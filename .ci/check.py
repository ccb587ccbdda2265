"""Format, lint, type-check and test, in that order; `--fix` repairs what it can. CI runs the same."""

from __future__ import annotations

import subprocess
import sys


def main() -> int:
    """Run every check and return the first exit code that is not zero."""
    fix = "--fix" in sys.argv
    python = sys.executable
    places = ["meshplan", "tests", "sample_sites", ".ci"]
    steps = [
        [python, "-m", "ruff", "format", *([] if fix else ["--check"]), *places],
        [python, "-m", "ruff", "check", *(["--fix"] if fix else []), *places],
        [python, "-m", "mypy"],
        [python, "-m", "pytest", "-q", "-n", "2", "--dist", "loadfile", *[a for a in sys.argv[1:] if a != "--fix"]],
    ]
    for step in steps:
        print("+", " ".join(step[1:]), flush=True)
        code = subprocess.run(step, check=False).returncode
        if code:
            return code
    return 0


if __name__ == "__main__":
    sys.exit(main())
