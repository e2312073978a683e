"""The application put together: routes, guard, error answers, and the task that feeds the streams."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator
from pathlib import Path

from fastapi import FastAPI
from starlette.staticfiles import StaticFiles

from gateway.clock import Clock, RealClock
from gateway.web.api import api_router
from gateway.web.bench_page import bench_router
from gateway.web.compare_page import compare_router
from gateway.web.desk import STATIC, make_desk
from gateway.web.drift_page import drift_router
from gateway.web.failures import install_failures
from gateway.web.guard import SecurityHeaders
from gateway.web.handbook import handbook_router
from gateway.web.live import event_of
from gateway.web.motor_routes import motor_router
from gateway.web.notes import notes_router
from gateway.web.pages import pages_router
from gateway.web.picture_routes import picture_router
from gateway.web.plant_view import PlantView
from gateway.web.predict_page import predict_router
from gateway.web.reports_page import reports_router
from gateway.web.signal_page import signal_router
from gateway.web.snapshot import take_snapshot
from gateway.web.stream import MOST_STREAMS, Hub
from gateway.web.warming import warm

logger = logging.getLogger(__name__)
HANDBOOK = Path(__file__).parent.parent / "handbook"


def create_app(plant: PlantView, *, clock: Clock | None = None, handbook: Path = HANDBOOK, most_streams: int = MOST_STREAMS) -> FastAPI:
    """Return the application over a running plant. `clock` gives the time that pages count ages from; the real one by default."""
    clock = clock or RealClock()
    hub = Hub(lambda: event_of(take_snapshot(plant, clock.now())), clock, most_streams=most_streams)
    desk = make_desk(plant, clock, hub, handbook)

    @contextlib.asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        feeding = asyncio.create_task(hub.run())
        feeding.add_done_callback(_say_why_ended)
        warming = asyncio.create_task(warm(desk))
        try:
            yield
        finally:
            hub.stop()
            for task in (feeding, warming):
                task.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await task

    # No generated documentation in production: it tells a stranger more than a user needs.
    app = FastAPI(title="startledger", docs_url=None, redoc_url=None, openapi_url=None, lifespan=lifespan)
    app.state.desk = desk
    app.add_middleware(SecurityHeaders)
    app.include_router(pages_router(desk))
    app.include_router(motor_router(desk))
    app.include_router(drift_router(desk))
    app.include_router(compare_router(desk))
    app.include_router(picture_router(desk))
    app.include_router(notes_router(desk))
    app.include_router(bench_router(desk))
    app.include_router(signal_router(desk))
    app.include_router(predict_router(desk))
    app.include_router(reports_router(desk))
    app.include_router(handbook_router(desk))
    app.include_router(api_router(desk))
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    install_failures(app, desk)
    return app


def _say_why_ended(feeding: asyncio.Task[None]) -> None:
    # The pages notice by themselves that no event comes and say so; the log must say why.
    if not feeding.cancelled() and (error := feeding.exception()) is not None:
        logger.error("live updates of the pages have stopped", exc_info=error)
