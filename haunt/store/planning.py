"""Hints to the two databases' planners, each for the one that would go wrong without it."""

from typing import Any

from sqlalchemy import ColumnElement
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement


class judged(FunctionElement[Any]):  # noqa: N801 - read as a function in a query
    """A column that rows are judged by, and that leads to none.

    SQLite, left to choose, takes the outcome's index and looks at a million rows for a reason that
    never came; PostgreSQL counts what there is of each and chooses by itself.
    """

    inherit_cache = True
    name = "judged"

    def __init__(self, column: ColumnElement[Any]) -> None:
        super().__init__(column)
        self.type = column.type


class counted(FunctionElement[Any]):  # noqa: N801 - same
    """A key whose least or greatest is wanted of few rows.

    PostgreSQL, left to choose, walks the key from its end and hopes to meet one of them soon.
    """

    inherit_cache = True
    name = "counted"

    def __init__(self, column: ColumnElement[Any]) -> None:
        super().__init__(column)
        self.type = column.type


@compiles(judged)
@compiles(counted)
def _plain(element: FunctionElement[Any], compiler: SQLCompiler, **more: Any) -> str:
    return compiler.process(element.clauses, **more)


@compiles(judged, "sqlite")
def _no_index(element: judged, compiler: SQLCompiler, **more: Any) -> str:
    return f"+{compiler.process(element.clauses, **more)}"


@compiles(counted, "postgresql")
def _no_walk(element: counted, compiler: SQLCompiler, **more: Any) -> str:
    return f"({compiler.process(element.clauses, **more)} + 0)"
