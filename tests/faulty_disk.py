"""A disk that fails at a chosen call: killed there, or refused there, as SQLite's own tests do it.

Calls of the C library that change files are counted, DuckDB's as well as Python's, by a small library that is
loaded before it. Nothing is counted until `arm` is called, so imports don't matter.
"""

from __future__ import annotations

import ctypes
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

COUNT, KILL, FULL, BROKEN = 0, 1, 2, 3
"""What happens at the chosen call: nothing; kill -9; no space from there on; one input/output error."""

SOURCE = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <sys/types.h>
#include <unistd.h>
#define MOST 65536
static atomic_long seen; static long at; static int mode; static int armed; static char kinds[MOST + 1];
void fault_arm(long n, int how) { at = n; mode = how; seen = 0; armed = 1; }
/* the calls since, one letter each */
const char *fault_calls(void) { armed = 0; kinds[seen < MOST ? seen : MOST] = 0; return kinds; }
/* 1 if the call shall fail; `grows` calls alone meet a full disk */
static int fails(int grows, char kind) {
    if (!armed) return 0;
    long n = ++seen;
    if (n <= MOST) kinds[n - 1] = kind;
    if (mode == 1 && n == at) { kill(getpid(), SIGKILL); for (;;) pause(); }
    if (mode == 2 && at && n >= at && grows) { errno = ENOSPC; return 1; }
    if (mode == 3 && n == at) { errno = EIO; return 1; }
    return 0;
}
#define REAL(name) static __typeof__(&name) real; if (!real) real = dlsym(RTLD_NEXT, #name)
#define CALL(type, name, kind, grows, params, args) \
    type name params { REAL(name); if (fails(grows, kind)) return -1; return real args; }
CALL(ssize_t, write, 'w', fd > 2, (int fd, const void *b, size_t n), (fd, b, n))
CALL(ssize_t, pwrite, 'w', 1, (int fd, const void *b, size_t n, off_t o), (fd, b, n, o))
CALL(ssize_t, pwrite64, 'w', 1, (int fd, const void *b, size_t n, off64_t o), (fd, b, n, o))
CALL(int, fsync, 's', 1, (int fd), (fd))
CALL(int, fdatasync, 's', 1, (int fd), (fd))
CALL(int, ftruncate, 't', 0, (int fd, off_t n), (fd, n))
CALL(int, ftruncate64, 't', 0, (int fd, off64_t n), (fd, n))
CALL(int, rename, 'r', 0, (const char *a, const char *b), (a, b))
CALL(int, link, 'l', 1, (const char *a, const char *b), (a, b))
CALL(int, linkat, 'l', 1, (int d, const char *a, int e, const char *b, int f), (d, a, e, b, f))
CALL(int, unlink, 'u', 0, (const char *a), (a))
CALL(int, unlinkat, 'u', 0, (int d, const char *a, int f), (d, a, f))
CALL(int, rmdir, 'd', 0, (const char *a), (a))
CALL(int, mkdir, 'm', 1, (const char *a, mode_t m), (a, m))
#define OPEN(name) int name(const char *p, int f, ...) { \
    REAL(name); va_list l; va_start(l, f); mode_t m = va_arg(l, mode_t); va_end(l); \
    if ((f & O_CREAT) && fails(1, 'o')) return -1; return real(p, f, m); }
OPEN(open)
OPEN(open64)
"""


def build(folder: Path) -> Path:
    """Compile the library, or skip where there is no compiler."""
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None or not sys.platform.startswith("linux"):
        pytest.skip("needs Linux and a C compiler")
    source, library = folder / "faulty_disk.c", folder / "faulty_disk.so"
    source.write_text(SOURCE)
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-w", "-o", library, source, "-ldl"], check=True)
    return library


def arm(at: int, how: int) -> None:
    """Let the calls of this process be counted from now on, and the chosen one go wrong."""
    ctypes.CDLL(None).fault_arm(ctypes.c_long(at), how)


def calls() -> str:
    """The calls since `arm`, one letter each; from now on nothing goes wrong any more."""
    told = ctypes.CDLL(None).fault_calls
    told.restype = ctypes.c_char_p
    return bytes(told()).decode()


def forked(work: Callable[[], Any]) -> tuple[int, Any]:
    """Run something in a child: its exit status (-9 if killed) and what it gave back, if anything."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        status = 0
        try:
            answer = work()
        except BaseException as error:  # noqa: BLE001 - everything is told to the parent
            status, answer = 2, f"{type(error).__name__}: {error}"
        with os.fdopen(writing, "w") as pipe:
            json.dump(answer, pipe)
        os._exit(status)
    os.close(writing)
    with os.fdopen(reading) as pipe:
        text = pipe.read()
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), json.loads(text) if text else None


def run_under(library: Path, script: str, *arguments: object) -> Iterator[dict[str, Any]]:
    """Run a Python script with the faulty disk loaded; what it prints, one JSON object a line."""
    done = subprocess.run(
        [sys.executable, "-c", script, *map(str, arguments)],
        env={**os.environ, "LD_PRELOAD": str(library), "PYTHONPATH": str(Path(__file__).parent)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    yield from map(json.loads, done.stdout.splitlines())
