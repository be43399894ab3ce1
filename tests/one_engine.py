"""One engine for all stores that a test process opens: an engine of its own costs each opening 13 ms."""

from __future__ import annotations

from itertools import count
from typing import Any

import duckdb


class Opened:
    """A connection that looks like one to a single file: cursors begin there, closing lets it go."""

    def __init__(self, engine: Engine, key: tuple[object, ...], name: str, con: Any) -> None:
        self._engine, self._key, self._name, self._con = engine, key, name, con

    def __getattr__(self, name: str) -> Any:
        return getattr(self._con, name)

    def cursor(self) -> Any:
        """Another connection to the same file."""
        con = self._con.cursor()
        con.execute(f"use {self._name}").fetchall()
        return con

    def close(self) -> None:
        """Undo what isn't committed; the last one out folds the log into the file, as ever."""
        self._con.close()
        self._engine.let_go(self._key)


class Engine:
    """Attaches files for as long as somebody has them open; opening one otherwise meanwhile is refused."""

    def __init__(self, config: dict[str, Any]) -> None:
        self._con = duckdb.connect(config=config)
        self._names = (f"store{n}" for n in count())
        self._open: dict[object, tuple[tuple[object, ...], str, int]] = {}

    def open_file(self, path: str, *, read_only: bool, config: dict[str, Any]) -> Any:
        """Stand in for `duckdb.connect`; what opens other files beside gets an engine of its own."""
        if "enable_external_access" not in config:
            return duckdb.connect(path, read_only=read_only, config=config)
        key = (path, read_only, *config.values())
        held, name, users = self._open.get(path, (key, "", 0))
        if held != key:
            raise duckdb.ConnectionException("open already, with a different configuration")
        con = self._con.cursor()
        if not users:
            name = next(self._names)
            how = "read_only" if read_only else f"storage_version '{config['storage_compatibility_version']}'"
            quoted = path.replace("'", "''")
            con.execute(f"attach '{quoted}' as {name} ({how})").fetchall()
        self._open[path] = key, name, users + 1
        con.execute(f"use {name}").fetchall()
        return Opened(self, key, name, con)

    def let_go(self, key: tuple[object, ...]) -> None:
        """Detach what nobody has open any more."""
        held, name, users = self._open.pop(key[0])
        if users > 1:
            self._open[key[0]] = held, name, users - 1
        else:
            self._con.execute(f"detach {name}").fetchall()
