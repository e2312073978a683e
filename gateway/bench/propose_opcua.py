"""Corrections of an OPC UA map from a recorded start: a wrong scale, or the node of another value.

Type, sign and word order come from the server, so that there is nothing to propose about them. A wrong node can only be put right by one
that was recorded: the bench records the server's other variables beside those of the map.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from gateway.bench.corrections import Correction, candidates
from gateway.bench.hypotheses import Search
from gateway.bench.node_record import node_texts
from gateway.bench.propose import Proposals, proposals_of
from gateway.bench.series import Series
from gateway.bench.verify_opcua import Sample, node_text, opcua_series
from gateway.instants import SECOND
from gateway.registers.model import OpcuaPlace, RegisterMap, Signal
from gateway.registers.roles import ROLES, RoleKind


class NodeReadings:
    """Series of signals out of recorded samples, whatever node a signal is read from."""

    def __init__(self, samples: Sequence[Sample], missing: Mapping[str, str]) -> None:
        self._samples, self._missing = samples, missing
        self._kept: dict[tuple[str, float, str], Series] = {}

    def of(self, signal: Signal, scale: Signal | None = None) -> Series:
        """Return the series; `scale` is not used: on OPC UA no scale comes from another node."""
        text = node_text(signal.place) if isinstance(signal.place, OpcuaPlace) else ""
        way = signal.key, signal.scale, text
        if way not in self._kept:
            missing = {text: self._missing[signal.key]} if signal.key in self._missing and text not in self._samples[0][1] else {}
            self._kept[way] = opcua_series(signal, self._samples, missing, text)
        return self._kept[way]


class NodeSearch(Search):
    """Tries other scales and other recorded nodes; there is no mistake of a whole map to try."""

    wholes = (Correction(),)

    def __init__(self, register_map: RegisterMap, samples: Sequence[Sample], missing: Mapping[str, str], flc_a: float | None) -> None:
        self.signals = [signal for signal in register_map.signals if isinstance(signal.place, OpcuaPlace)]
        self.flc_a = flc_a
        self._nodes = NodeReadings(samples, missing)
        self._kinds = {text: isinstance(value.raw, bool) for text, value in samples[-1][1].items() if not isinstance(value.raw, str)}

    def read_as(self, base: Mapping[str, Signal], series: Mapping[str, Series]) -> NodeReadings:
        """Return the readings; they do not depend on how other signals are read."""
        return self._nodes

    def changes(self, signal: Signal) -> Iterator[Correction]:
        """Return no change, the other scales, and every other recorded node of the same kind."""
        yield from candidates(signal)
        own = node_text(signal.place) if isinstance(signal.place, OpcuaPlace) else ""
        is_flag = signal.role is not None and ROLES[signal.role].kind is RoleKind.FLAG
        for text in node_texts(self._kinds):
            if text != own and self._kinds[text] == is_flag:
                yield Correction(node=text)


def propose_opcua(
    register_map: RegisterMap, samples: Sequence[Sample], missing: Mapping[str, str], flc_a: float | None = None
) -> Proposals:
    """Return the changes that make a map fit a record of its server, ranked. samples: values by signal key and by node text."""
    duration_s = (samples[-1][0] - samples[0][0]) / SECOND
    return proposals_of(NodeSearch(register_map, samples, missing, flc_a), register_map, moments=len(samples), duration_s=duration_s)
