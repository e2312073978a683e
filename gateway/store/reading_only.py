"""A store opened to be read beside the gateway that writes it: no lock is taken, nothing is made or migrated."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError

from gateway.errors import StoreError
from gateway.store import engines
from gateway.store.database import Store
from gateway.store.faults import fault_of, place_of
from gateway.store.migrations import NEWEST, version_of
from gateway.store.readers import Readers


@contextmanager
def readers_of(url: str) -> Iterator[Readers]:
    """Yield the readers of a store that is there; StoreError in plain words when it is not, or is not of this version."""
    try:
        address = make_url(url)
        file = engines.file_of(address)
        if address.drivername.startswith("sqlite") and (file is None or not file.is_file()):
            raise StoreError(f"{place_of(address)} is not there yet: `startledger run` makes it with the first readings")
        store = Store(address, engines.write_engine(address), engines.read_engine(address))
    except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as error:
        raise StoreError(f"the store cannot be opened: {error}") from error
    try:
        with store.reading.begin() as connection:
            version = version_of(connection)
        if version != NEWEST:
            what = "holds no startledger data" if not version else f"has schema {version}, this version of startledger reads {NEWEST}"
            raise StoreError(f"{store.place} {what}; it was left untouched")
        yield Readers(store)
    except DBAPIError as error:
        raise StoreError(fault_of(error, address).text) from error
    finally:
        store.close()
