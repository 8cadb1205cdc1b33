"""The files a recipe writes."""

from __future__ import annotations

import json
import unicodedata
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import Any

from nebulakit.files.options import WriteOptions, check_output
from nebulakit.recipe.lookup import Lookup
from nebulakit.recipe.model import Output, Ref
from nebulakit.recipe.names import meant
from nebulakit.recipe.text import Entry, Mapping, Scalar, kind_of, shortened, unknown
from nebulakit.recipe.values import typed

OWN = ("caption.txt", "failed.html", "report.html", "run.json")
"""What a run writes beside its outputs."""


@dataclass
class Outputs(Lookup):
    """Looks up and checks the entries of ``outputs``."""

    readers: dict[Ref, list[str]] = field(default_factory=dict)
    """Who reads a layer, for people."""

    def outputs(self) -> list[Output]:
        """Give the files to write."""
        found: list[Output] = []
        taken = {name: name for name in OWN}
        for raw in self.doc.outputs:
            told = {k: Entry(e.key, self.value(e.value)) for k, e in raw.entries.items()}
            file = self._file(raw, told)
            source = self._layer(raw, told)
            options = self._options(raw, told, file)
            if file is None:
                continue
            self._clash(file, taken)
            if source is not None and options is not None:
                layer = told["layer"].value
                found.append(Output(source, layer.text if isinstance(layer, Scalar) else "", file.text, options, raw.place.line))
        return found

    def _file(self, raw: Mapping, told: dict[str, Entry]) -> Scalar | None:
        if "file" not in told:
            self.faults.add(raw.place, "this output has no 'file'; it looks like {layer: last, file: picture.tif}")
            return None
        node = told["file"].value
        if unknown(node) or (isinstance(node, Scalar) and isinstance(node.value, str)):
            return node if isinstance(node, Scalar) and not unknown(node) else None
        self.faults.add(node.place, f"file: expected the name of a file such as picture.tif, found {kind_of(node)}")
        return None

    def _layer(self, raw: Mapping, told: dict[str, Entry]) -> Ref | None:
        if "layer" not in told:
            self.faults.add(raw.place, "this output has no 'layer'; it looks like {layer: last, file: picture.tif}")
            return None
        source = self.find(told["layer"].value, len(self.doc.steps))
        if source is None:
            return None
        if source.layer.optional:
            place = told["layer"].value.place
            self.faults.add(place, f"{source.name} is optional, but an output cannot do without its layer")
        self.readers.setdefault(source.ref, []).append(f"the output in {self.doc.line(raw.place)}")
        return source.ref

    def _options(self, raw: Mapping, told: dict[str, Entry], file: Scalar | None) -> WriteOptions | None:
        known = ("layer", "file", *WriteOptions.model_fields)
        for key, one in told.items():
            if key not in known:
                self.faults.add(one.key.place, f"unknown key '{shortened(key)}' of an output; {meant(key, known)}")
        choices = {k: e for k, e in told.items() if k in WriteOptions.model_fields}

        def check(given: dict[str, Any]) -> WriteOptions:
            return WriteOptions.model_validate_json(json.dumps(given))

        options = typed(check, choices, raw.place, self.faults, known=choices)
        if file is None:
            return options
        try:
            check_output(file.text, options or WriteOptions())
        except ValueError as fault:
            sentence = str(fault)
            to_blame = [k for k in choices if sentence.startswith(f"'{k}'") or (k == "bits" and "bits per value" in sentence)]
            self.faults.add(choices[to_blame[0]].value.place if to_blame else file.place, sentence)
        return options

    def _clash(self, file: Scalar, taken: dict[str, str]) -> None:
        """Refuse a file that another output writes already, also on systems where capitals make no difference."""
        path = str(PurePosixPath(unicodedata.normalize("NFC", file.text).casefold()))
        if path in taken:
            other = taken[path]
            same = "" if other == file.text else f" ('{other}' and '{file.text}' are one file on many systems)"
            self.faults.add(file.place, f"two outputs to one file, '{shortened(file.text)}'{same}")
        for known, other in taken.items():
            if known.startswith(f"{path}/") or path.startswith(f"{known}/"):
                self.faults.add(
                    file.place, f"'{shortened(file.text)}' and '{shortened(other)}': one name cannot be a file and a folder"
                )
        taken.setdefault(path, file.text)
