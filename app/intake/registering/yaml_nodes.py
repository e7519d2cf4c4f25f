"""YAML as nodes that know their lines: what a file holds is read, never run, never guessed to be a number or a date."""

from dataclasses import dataclass, field
from typing import Any

import yaml

from app.errors import GivenError
from app.intake.numbers import shown
from app.intake.registering.faults import Fault, Place

Plain = dict[str, Any] | list[Any] | str | None


class NotYamlError(GivenError, ValueError):
    """The text is no YAML; ``line`` counts from 1."""

    def __init__(self, line: int, reason: str) -> None:
        super().__init__(reason)
        self.line = line


def compose(text: str) -> yaml.Node | None:
    """The nodes of a text; None when it holds nothing.

    Raises:
        NotYamlError: it is not valid YAML.
    """
    try:
        return yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, int(error.position)) + 1
        reason = f"the character U+{int(error.character):04X} may not stand in it"
        raise NotYamlError(line, f"is not valid YAML: {reason}") from None
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        reason = f"is not valid YAML: {error.problem or error.context}"
        raise NotYamlError(mark.line + 1 if mark else 1, reason) from None
    except RecursionError:
        raise NotYamlError(1, "is nested too deeply to be a fleet") from None


@dataclass
class Unfolded:
    """Nodes as mappings, lists and stripped texts.

    What YAML takes for nothing is None. A node that is referred to twice is one object, so that a file that refers to
    itself ends.
    """

    faults: list[Fault] = field(default_factory=list)
    """Keys and entries that stand twice, and keys that are no words."""
    _known: dict[int, Plain] = field(default_factory=dict)

    def plain(self, node: yaml.Node, place: Place = ()) -> Plain:
        if id(node) in self._known:
            return self._known[id(node)]
        if isinstance(node, yaml.MappingNode):
            mapping: dict[str, Any] = {}
            self._known[id(node)] = mapping
            self._fill(mapping, node, place)
            return mapping
        if isinstance(node, yaml.SequenceNode):
            entries: list[Any] = []
            self._known[id(node)] = entries
            self._gather(entries, node, place)
            return entries
        return None if node.tag.endswith(":null") else node.value.strip()

    def _gather(self, entries: list[Any], node: yaml.SequenceNode, place: Place) -> None:
        texts = set()
        for i, part in enumerate(node.value):
            entry = self.plain(part, (*place, i))
            if isinstance(entry, str):
                if entry in texts:
                    self._fault(part, (*place, i), f"{shown(entry)} stands twice; keep one")
                texts.add(entry)
            entries.append(entry)

    def _fill(self, mapping: dict[str, Any], node: yaml.MappingNode, place: Place) -> None:
        keys = set()
        for key, value in node.value:
            name = str(key.value)
            if not isinstance(key, yaml.ScalarNode):
                self._fault(key, place, "has a list or a mapping for a key; a key is a word")
            elif name in keys:
                self._fault(key, (*place, name), "stands twice; keep one")
            else:
                keys.add(name)
                mapping[name] = self.plain(value, (*place, name))

    def _fault(self, node: yaml.Node, place: Place, reason: str) -> None:
        self.faults.append(Fault(place, reason, line=_line(node)))


def _line(node: yaml.Node) -> int:
    return int(node.start_mark.line) + 1


def line_of(root: yaml.Node, fault: Fault) -> int:
    """The line at which a fault stands; what is missing is looked for where it should be."""
    if fault.line is not None:
        return fault.line
    node, key = root, root
    for part in fault.place:
        found = _step(node, part)
        if found is None:
            break
        key, node = found
    return _line(key if fault.of_key else node)


def _step(node: yaml.Node, part: int | str) -> tuple[yaml.Node, yaml.Node] | None:
    """The key and the value at one step down."""
    if isinstance(part, int):
        return (node.value[part],) * 2 if isinstance(node, yaml.SequenceNode) else None
    if not isinstance(node, yaml.MappingNode):
        return None
    return next((pair for pair in node.value if str(pair[0].value) == part), None)
