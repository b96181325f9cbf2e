"""Data never become code, and nothing speaks to a network."""

from __future__ import annotations

import ast
import pathlib
import socket
import subprocess
import sys
import textwrap

import pytest

PACKAGE = pathlib.Path(__file__).parents[1] / "roomtune"
MODULES = sorted(PACKAGE.rglob("*.py"))
MADE_OF_DATA = {"pickle", "marshal", "shelve", "dill", "cloudpickle", "joblib", "yaml", "imp"}
NETWORK = {
    "socket", "ssl", "http", "urllib", "ftplib", "smtplib", "poplib", "imaplib", "telnetlib",
    "xmlrpc", "socketserver", "requests", "httpx", "aiohttp", "webbrowser", "asyncio",
}  # fmt: skip
CALLS = {"eval", "exec", "compile", "__import__", "execfile"}
METHODS = {"allow_pickle", "system", "popen", "unpack_archive", "extractall"}
EVERY = pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())


def faults(source: str) -> list[str]:
    """Imports and calls that turn data into code, run other programs, or reach a network."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [alias.name for alias in node.names]
            tops = {name.split(".")[0] for name in names}
            found += sorted(tops & (MADE_OF_DATA | NETWORK))
        if isinstance(node, ast.Call):
            called = node.func
            if isinstance(called, ast.Name) and called.id in CALLS:
                found.append(called.id)
            if isinstance(called, ast.Attribute) and called.attr in METHODS:
                found.append(called.attr)
            found += [k.arg for k in node.keywords if k.arg in ("allow_pickle", "shell")]
    return found


@EVERY
def test_no_code_from_data_and_no_network(path):
    assert faults(path.read_text(encoding="utf-8")) == []


def test_the_rule_can_fail():
    source = "import pickle, os.path\nfrom urllib.request import urlopen\neval('1')\n"
    assert faults(source) == ["pickle", "urllib", "eval"]
    assert faults("np.load(path, allow_pickle=True); os.system('x')") == ["allow_pickle", "system"]


FORBIDDING = """
    import sys

    def refuse(event, arguments):
        if event in ("socket.connect", "socket.bind", "socket.getaddrinfo", "socket.sendto",
                     "socket.gethostbyname", "urllib.Request"):
            raise SystemExit(f"the network was asked for: {event} {arguments[1:]}")

    sys.addaudithook(refuse)
"""
JOB = """
    from click.testing import CliRunner
    from roomtune.cli.main import main
    from roomtune.system.reading import read_system

    def run(*words):
        done = CliRunner().invoke(main, words, catch_exceptions=False)
        assert done.exit_code == 0, (words, done.exit_code, done.output[-500:])

    run("new", "--scenario", "attic-stereo")
    words = ("--seat", read_system("system.toml").seats[0].name, "--output", "left woofer")
    run("measure", "--virtual", ".", "--yes", "--duration", "0.5", *words)
    run("sessions", "checksums")
    run("analyse")
"""
CALLING = "\n    import socket\n    socket.create_connection(('127.0.0.1', 9))\n"


def in_fresh_python(code: str, folder: pathlib.Path) -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code)], cwd=folder, capture_output=True, text=True
    )


def test_measuring_in_a_fresh_process_asks_for_no_network(tmp_path):
    """The hook in conftest.py forbids it to all else that runs in the tests' own process."""
    done = in_fresh_python(FORBIDDING + JOB, tmp_path)
    assert done.returncode == 0, done.stderr[-2000:]
    assert list(tmp_path.glob("sessions/*/takes/*.json"))


def test_the_tests_themselves_may_not_ask_for_it():
    with socket.socket() as asking, pytest.raises(AssertionError, match="network was asked for"):
        asking.connect(("127.0.0.1", 9))


def test_asking_for_the_network_would_be_noticed(tmp_path):
    done = in_fresh_python(FORBIDDING + CALLING, tmp_path)
    assert "the network was asked for" in done.stderr
