"""Several statements as one."""

import sqlite3

__all__ = ["Transaction"]


class Transaction:
    """BEGIN IMMEDIATE … COMMIT, rolled back on any error. One inside another is part of it."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._inner = False

    def __enter__(self) -> None:
        self._inner = self._db.in_transaction
        if not self._inner:
            self._db.execute("BEGIN IMMEDIATE")

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if self._inner:
            return
        if kind is None:
            try:
                self._db.execute("COMMIT")
            except sqlite3.Error:
                self._roll_back()
                raise
        else:
            self._roll_back()

    def _roll_back(self) -> None:
        if self._db.in_transaction:
            self._db.execute("ROLLBACK")
