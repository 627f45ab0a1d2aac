"""``python -m tests.crash_safety.as_nobody FOLDER COMMAND...`` runs a command as a user who owns nothing.

It runs once before in a copy of the folder, as nobody may read no module: what is imported late is imported.
"""

import os
import shutil
import sys
from contextlib import chdir, redirect_stderr, redirect_stdout
from io import StringIO

from callint.__main__ import main

if __name__ == "__main__":
    folder, words = sys.argv[1], sys.argv[2:]
    shutil.copytree(folder, f"{folder}.warm")
    with chdir(f"{folder}.warm"), redirect_stdout(StringIO()), redirect_stderr(StringIO()):
        main(words)
    os.chdir(folder)
    os.setgroups([])
    os.setgid(65534)
    os.setuid(65534)
    sys.exit(main(words))
