"""Why a result differs between two runs: the inputs, settings and code behind it, by manifests."""


class Causes:
    """What differs between two manifests, and which of it a result rests on.

    old, new : rows of two manifests, as `read_manifest` gives them
    settings : (setting, old value, new value) of each setting that differs
    software : (package, old version, new version) of each package that differs
    altered : results that are not as the old run left them
    """

    def __init__(self, old, new, settings, software, altered=()):
        self._altered = set(altered)
        self._settings = [
            f"setting {name}: {first!r}, now {then!r}" for name, first, then in settings
        ]
        self._software = [f"{name} {first}, now {then}" for name, first, then in software]
        self.inputs = _differing_files(old, new, "input")
        self.code = _differing_files(old, new, "code")
        self._old, self._new = _results(old), _results(new)
        self._by_file = {file: node for node, files in _nodes(old, new).items() for file in files}
        self._made_from = {}
        for row in [*self._old.values(), *self._new.values()]:
            self._made_from[row["rule"], row["participant"]] = (row["made_from"] or "").split("; ")
        self._known = {}

    def of(self, file):
        """Causes behind one result, from its own rule back to the recordings, in words."""
        node = self._by_file.get(file)
        causes = self._behind(node) if node else set()
        by_hand = {"the file was altered since it was made"} if file in self._altered else set()
        return sorted(causes | by_hand | set(self._software))

    def all(self):
        """Everything that differs, whatever rests on it."""
        inputs = [f"input {name}" for name in self.inputs]
        return [*inputs, *self._settings, *(f"code {name}" for name in self.code), *self._software]

    def _behind(self, node):
        if node not in self._known:
            self._known[node] = set()
            self._known[node] = self._differing_in(node).union(
                *(self._behind(before) for before in self._nodes_before(node))
            )
        return self._known[node]

    def _differing_in(self, node):
        """What differs in what a rule itself is given."""
        file = next(file for file, of in self._by_file.items() if of == node)
        first, then = self._old.get(file, {}), self._new.get(file, {})
        causes = set()
        if first.get("settings_sha256") != then.get("settings_sha256"):
            causes |= set(self._settings)
        if first.get("code_sha256") != then.get("code_sha256"):
            causes |= {f"code {name}" for name in self.code}
        if first.get("inputs_sha256") != then.get("inputs_sha256"):
            made_from = self._made_from[node]
            tables = {name.removeprefix("rows of ") for name in made_from if name[:8] == "rows of "}
            recordings = "recordings" in made_from
            causes |= {
                f"input {name}"
                for name in self.inputs
                if name in tables or (recordings and "/" in name)
            }
        return causes

    def _nodes_before(self, node):
        """(rule, participant) of everything that a rule reads."""
        _, participant = node
        for pattern in self._made_from[node]:
            head, wildcard, tail = pattern.partition("{participant}")
            if wildcard and participant is not None:
                head, wildcard, tail = f"{head}{participant}{tail}", "", ""
            for file, made_by in self._by_file.items():
                of_folder = not wildcard and (file == head or file.startswith(f"{head}/"))
                if of_folder or (wildcard and file.startswith(head) and file.endswith(tail)):
                    yield made_by


def _results(listed):
    return {row["file"]: row for row in listed if row["kind"] == "result"}


def _nodes(old, new):
    """Files by the rule and participant that made them."""
    nodes = {}
    for row in [*old, *new]:
        if row["kind"] == "result":
            nodes.setdefault((row["rule"], row["participant"]), set()).add(row["file"])
    return nodes


def _differing_files(old, new, kind):
    """Names of inputs or code of which only one run has, or that have other checksums."""
    first, then = (
        {r["file"]: r["sha256"] for r in listed if r["kind"] == kind} for listed in (old, new)
    )
    return sorted(name for name in first | then if first.get(name) != then.get(name))
