"""Joins the plan's pages to the application, in the order in which their paths are looked at."""

from fastapi import FastAPI, Request, Response

from haunt.site.pages import Pages
from haunt.site.plan import first, history, imports, overview, rows, servicing
from haunt.site.plan.desk import Broken, Desk


def join(app: FastAPI, pages: Pages) -> None:
    """Rows come last: their paths would take those of the others."""
    desk = Desk(pages)
    for each in (first, overview, history, imports, servicing, rows):
        app.include_router(each.routes(desk))

    def broken(request: Request, fault: Exception) -> Response:
        assert isinstance(fault, Broken)
        return desk.broken(request, fault)

    app.add_exception_handler(Broken, broken)
