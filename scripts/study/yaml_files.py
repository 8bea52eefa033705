"""Plain YAML of settings: what could stand for something else is refused before it is built.

Aliases, tags, merged keys and keys that are no text are faults of the file, found in the events of
the parser, which need no memory and no recursion, so that a short file cannot grow into a large
one.
"""

import yaml

from study.cells import CONTROL_SIGN
from study.outside import LARGEST_SETTINGS_BYTES, Refused, open_outside
from study.problems import shown

# the reader in C takes a twentieth of the time; not every build of PyYAML has it
YAML = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

DEEPEST = 20
MOST_VALUES = 20_000
LONGEST_VALUE = 10_000
_TEXT = "tag:yaml.org,2002:str"


class YamlFault(Exception):
    """Why a YAML file cannot be read as settings: `line` (from 1, or None) and `message`."""

    def __init__(self, line, message):
        super().__init__(line, message)
        self.line = line
        self.message = message


def read_yaml(path, problems, parsed=None):
    """Values of a YAML file and the line of every key and list item, by its path.

    (None, {}) where it cannot be read; what is wrong goes to `problems`. `parsed` may stand for
    `values_and_lines` where it remembers what it gave, which is then not to be altered.
    """
    try:
        return (parsed or values_and_lines)(_content(path))
    except YamlFault as fault:
        problems.add(path.name, f"line {fault.line}" if fault.line else "", fault.message)
    return None, {}


def _content(path):
    try:
        content = open_outside(path, path.parent, LARGEST_SETTINGS_BYTES).content
    except Refused as fault:
        raise YamlFault(None, str(fault)) from None
    except OSError as fault:
        raise YamlFault(None, f"cannot be opened ({fault.strerror}); see who may read it") from None
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise YamlFault(None, "is not UTF-8 text; save it as UTF-8") from None


def values_and_lines(text):
    """Values of a YAML text and the line of every key and list item. Raises YamlFault."""
    try:
        _refuse_events(text)
        root = yaml.compose(text, YAML)
        if root is None:
            return {}, {}
        if not isinstance(root, yaml.MappingNode):
            raise YamlFault(1, "must start with a section name followed by a colon")
        lines = {}
        _note_lines(root, (), lines)
        # a safe loader, written in C where PyYAML has it
        return yaml.load(text, YAML), lines  # noqa: S506
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        why = getattr(error, "problem", None) or " ".join(str(error).split())
        line = mark.line + 1 if mark else None
        raise YamlFault(line, f"cannot be read: {why}; correct the line") from None
    except RecursionError:
        raise YamlFault(None, f"nested more than {DEEPEST} deep; no setting is") from None


def _refuse_events(text):
    depth = n_values = n_documents = 0
    for event in yaml.parse(text, YAML):
        line = event.start_mark.line + 1
        n_documents += isinstance(event, yaml.DocumentStartEvent)
        if n_documents > 1:
            raise YamlFault(line, "a second document begins (---); keep one")
        if isinstance(event, yaml.AliasEvent):
            raise YamlFault(line, f"found the alias *{event.anchor}; write its value out")
        if isinstance(event, yaml.NodeEvent) and getattr(event, "tag", None):
            raise YamlFault(line, f"found the tag {event.tag}; write the value without it")
        if isinstance(event, yaml.CollectionStartEvent):
            depth += 1
            if depth > DEEPEST:
                raise YamlFault(line, f"nested more than {DEEPEST} deep; no setting is")
        elif isinstance(event, yaml.CollectionEndEvent):
            depth -= 1
        elif isinstance(event, yaml.ScalarEvent):
            n_values += 1
            _refuse_value(event.value, line)
        if n_values > MOST_VALUES:
            raise YamlFault(line, f"holds more than {MOST_VALUES} values; settings are few")


def _refuse_value(text, line):
    if len(text) > LONGEST_VALUE:
        raise YamlFault(line, f"a value holds {len(text)} signs; up to {LONGEST_VALUE} are read")
    if sign := CONTROL_SIGN.search(text):
        raise YamlFault(line, f"holds the control sign U+{ord(sign[0]):04X}; take it out")


def _note_lines(node, path, lines):
    """Note the line of every key and item. Raises YamlFault for keys that are odd or repeated."""
    if isinstance(node, yaml.MappingNode):
        for key, below in node.value:
            line = key.start_mark.line + 1
            if not isinstance(key, yaml.ScalarNode):
                raise YamlFault(line, "a list or a mapping stands for a name; write a name")
            if key.tag != _TEXT:
                raise YamlFault(
                    line,
                    f"{key.value!r} is no text for YAML, which reads no, yes, on, off and numbers "
                    "otherwise; put it in quotation marks",
                )
            if (*path, key.value) in lines:
                raise YamlFault(line, f"{key.value!r} stands twice; keep one")
            lines[(*path, key.value)] = line
            _note_lines(below, (*path, key.value), lines)
    elif isinstance(node, yaml.SequenceNode):
        for number, entry in enumerate(node.value):
            lines[(*path, str(number))] = entry.start_mark.line + 1
            _note_lines(entry, (*path, str(number)), lines)
    elif node.tag != _TEXT:
        _refuse_unread(node)


def _refuse_unread(node):
    """Refuse a number of thousands of digits, or a date that no calendar has. Raises YamlFault."""
    try:
        yaml.constructor.SafeConstructor().construct_object(node)
    except (ValueError, OverflowError) as error:
        raise YamlFault(
            node.start_mark.line + 1,
            f"found {shown(node.value)}: {error}; put text in quotation marks, correct numbers",
        ) from None
