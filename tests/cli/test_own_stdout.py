"""What a library writes to file descriptor 1 does not stand among our messages."""

from __future__ import annotations

import subprocess
import sys

SCRIPT = """
import os, sys
import pipeline.cli, pipeline.__main__ as start
def spoken(words):
    print("ours first")
    os.write(1, b"a library's line\\n")
    print("ours, with a maple: \\u00e9rable")
    return 0
pipeline.cli.run_cli = spoken
start.main()
"""


def test_only_our_own_words_reach_standard_output():
    done = subprocess.run([sys.executable, "-X", "utf8", "-c", SCRIPT], capture_output=True, check=True)
    assert done.stdout.decode().splitlines() == ["ours first", "ours, with a maple: érable"]
    assert done.stderr == b""


def test_a_closed_standard_output_is_no_fault():
    lines = "import sys\nsys.stdout = None\n" + SCRIPT.replace("print(", "sys.stderr.write(")
    done = subprocess.run([sys.executable, "-X", "utf8", "-c", lines], capture_output=True, check=True)
    assert "ours first" in done.stderr.decode()
