"""A store, opened: its address, the engine of the writer and the engine of the readers, on the newest schema."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Engine, inspect, make_url
from sqlalchemy.engine import URL
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError

from gateway.clock import Clock, RealClock
from gateway.errors import NewerStoreError, StoreError
from gateway.store import engines
from gateway.store.faults import fault_of, place_of
from gateway.store.migrations import NEWEST, migrate, version_of


@dataclass(slots=True)
class Store:
    """An open store, held for this process. The writer alone may use `writing`; readers use `reading` from any thread."""

    url: URL
    writing: Engine
    reading: Engine
    held: int | None = None

    @property
    def place(self) -> str:
        """Return how the store is named to people."""
        return place_of(self.url)

    @property
    def engine_text(self) -> str:
        """Return the name and version of the database software."""
        return engines.engine_text(self.writing)

    @property
    def warnings(self) -> tuple[str, ...]:
        """Return what the user should know of the database software."""
        return engines.engine_warnings(self.writing)

    def sizes(self) -> tuple[int, int]:
        """Return the bytes of the database and of its write-ahead log."""
        return engines.sizes(self.url)

    def close(self) -> None:
        """Close every connection, the readers' first: the last one to close tidies the log away, and that must be the writer's."""
        self.reading.dispose()
        self.writing.dispose()
        if self.held is not None:
            engines.let_go(self.held)
            self.held = None


def open_store(url: str, clock: Clock | None = None) -> Store:
    """Open a store, making or migrating it where needed.

    Raises StoreError in plain words when it cannot be opened, made or migrated; NewerStoreError when a newer version made it. In both
    cases whatever was there is left as it was.
    """
    address = _address(url)
    try:
        store = Store(address, engines.write_engine(address), engines.read_engine(address))
    except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as error:
        text = f"store: {address.render_as_string()}: {error}. A store is sqlite:///folder/file.db or postgresql+psycopg://..."
        raise StoreError(text) from error
    try:
        _refuse_what_is_not_ours(store)
        store.held = _hold(store)
        migrate(store.writing, (clock or RealClock()).now())
    except DBAPIError as error:
        store.close()
        raise StoreError(fault_of(error, address).text) from error
    except StoreError:
        store.close()
        raise
    return store


def _address(url: str) -> URL:
    try:
        address = make_url(url)
    except ArgumentError as error:
        raise StoreError(f"store: {url!r} is not a database address, such as sqlite:///folder/file.db") from error
    if address.drivername.startswith("sqlite") and engines.file_of(address) is None:
        raise StoreError(f"store: {url!r} names no file; a database in memory would lose every start. Write sqlite:///folder/file.db")
    return address


def _refuse_what_is_not_ours(store: Store) -> None:
    # Looked at through a reader: the writer's first touch would already change a foreign file.
    with store.reading.begin() as connection:
        tables = inspect(connection).get_table_names()
        version = version_of(connection)
    if tables and not version:
        raise StoreError(
            f"{store.place} is another program's database (tables {', '.join(sorted(tables)[:5])}); it was left untouched. "
            "Name another file in the site file."
        )
    if version > NEWEST:
        raise NewerStoreError(
            f"{store.place} has schema {version}, made by a newer version of startledger; this version knows schema {NEWEST}. "
            "It was left untouched. Run the newer version, or name another file in the site file."
        )


def _hold(store: Store) -> int | None:
    try:
        return engines.hold(store.url)
    except BlockingIOError as error:
        text = f"{store.place} is in use by another startledger: end that one first, or name another file in the site file"
        raise StoreError(text) from error
    except OSError as error:
        text = f"{store.place} cannot be locked ({error.strerror}): keep it on a disk of this machine, not on a network share"
        raise StoreError(text) from error
