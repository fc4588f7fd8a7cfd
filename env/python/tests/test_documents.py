"""The examples in the document of this package run as they stand there."""

import re
import subprocess
import sys

from conftest import REPOSITORY

README = REPOSITORY / "env" / "python" / "README.md"


def test_every_python_example_of_the_document_runs():
    blocks = re.findall(r"^```python\n(.*?)^```$", README.read_text(), re.M | re.S)
    assert blocks, "the document has an example"
    for block in blocks:
        done = subprocess.run([sys.executable, "-c", block], cwd=REPOSITORY, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
        assert re.search(r"return -?\d+\.\d s", done.stdout), done.stdout


def test_every_command_line_of_the_document_names_a_file_that_exists():
    for file in re.findall(r"(?:python|pip install) (\S*env/python\S*)", README.read_text()):
        assert (REPOSITORY / file).exists(), file
