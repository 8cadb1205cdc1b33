"""The files a recipe writes."""

from __future__ import annotations

import json
import unicodedata
from dataclasses import dataclass, field
from typing import Any

from nebulakit.files.options import WriteOptions, check_output
from nebulakit.recipe.faults import Place
from nebulakit.recipe.lookup import Lookup
from nebulakit.recipe.model import Output, Ref
from nebulakit.recipe.names import meant
from nebulakit.recipe.text import Entry, Mapping, Scalar, kind_of, shortened, unknown
from nebulakit.recipe.values import near_name, typed


@dataclass
class Outputs(Lookup):
    """Looks up and checks the entries of ``outputs``."""

    readers: dict[Ref, list[str]] = field(default_factory=dict)
    """Who reads a layer, for people."""

    def outputs(self) -> list[Output]:
        """Give the files to write."""
        found: list[Output] = []
        taken: dict[str, str] = {}
        for raw in self.doc.outputs:
            one = self._output(raw)
            if one is None:
                continue
            output, place = one
            key = unicodedata.normalize("NFC", output.file).casefold().strip("./")
            clash = next((f for k, f in taken.items() if k == key or k.startswith(f"{key}/") or key.startswith(f"{k}/")), None)
            if clash is not None:
                same = "" if clash == output.file else f" ('{clash}' and '{output.file}' are one name on many systems)"
                self.faults.add(place, f"two outputs to one file, '{shortened(output.file)}'{same}")
            taken.setdefault(key, output.file)
            found.append(output)
        return found

    def _output(self, raw: Mapping) -> tuple[Output, Place] | None:
        known = ("layer", "file", *WriteOptions.model_fields)
        told = {k: Entry(e.key, self.value(e.value)) for k, e in raw.entries.items()}
        for key, one in told.items():
            if key not in known:
                self.faults.add(one.key.place, f"unknown key '{shortened(key)}' of an output; {meant(key, known)}")
        for key in ("layer", "file"):
            if key not in told:
                self.faults.add(raw.place, f"this output has no '{key}'; it looks like {{layer: last, file: picture.tif}}")
        source = self.find(told["layer"].value, len(self.doc.steps)) if "layer" in told else None
        if source:
            self.readers.setdefault(source.ref, []).append(f"the output in line {raw.place.line}")
        choices = {k: e for k, e in told.items() if k in WriteOptions.model_fields}
        options = typed(
            _write_options, choices, raw.place, self.faults, stranger=near_name(known), known=WriteOptions.model_fields
        )
        file = told["file"].value if "file" in told else None
        if file is None or unknown(file):
            return None
        if not isinstance(file, Scalar) or not isinstance(file.value, str):
            self.faults.add(file.place, f"file: expected the name of a file such as picture.tif, found {kind_of(file)}")
            return None
        if options is None:
            return None
        try:
            check_output(file.value, options)
        except ValueError as fault:
            sentence = str(fault)
            to_blame = next(
                (k for k in choices if sentence.startswith(f"'{k}'") or (k == "bits" and "bits per value" in sentence)), None
            )
            self.faults.add(choices[to_blame].value.place if to_blame else file.place, sentence)
            return None
        if source is None:
            return None
        text = told["layer"].value
        assert isinstance(text, Scalar)
        return Output(source.ref, text.text, file.value, options, raw.place.line), file.place


def _write_options(given: dict[str, Any]) -> WriteOptions:
    return WriteOptions.model_validate_json(json.dumps(given))
