"""A sound recipe is read as it is meant: every layer found, every value typed, every default filled in."""

from __future__ import annotations

import json
import sys
import time

import pytest

from nebulakit.errors import RecipeError, UsageError
from nebulakit.quantity import Level, Share
from nebulakit.recipe import load, loads, resolved, shipped, to_yaml
from nebulakit.recipe.model import Ref

# the example that the language is described with
WHOLE = """\
# yaml-language-server: $schema=recipe.schema.json
version: 1
about: Bicolour picture from a dual-band colour stack.
vars: {keep: 85%}             # optional; used as ${keep}, only as a whole value
steps:
  - crop_to_coverage: {keep: "${keep}"}
  - remove_gradient: {}
    id: sky
    as: {image: flat, model: glow}
  - separate_stars: {}
    as: {nebula: nebula, stars: stars}
  - unmix_lines: {stars: stars}
    from: nebula              # default: the main result of the step before
    as: {ha: ha, oiii: oiii}
  - level_mask: {above: 5 sigma}
    from: ha
    as: bright
  - denoise_wavelet: {strength: 1.0}
    from: oiii
    as: oiii                  # a name may be made again; later steps read the newest
    mask: bright              # optional layer, 0..1: where the step acts
    amount: 80%               # optional: blend with what came in
    note: free text
outputs:
  - {layer: last, file: picture.tif, bits: 16}
  - {layer: last, file: picture.jpg, longest: 2048}
  - {layer: nebula, file: nebula.fits}
"""


def recipe(steps: str, head: str = "version: 1\n", outputs: str = "  - {layer: last, file: a.tif}\n"):
    return loads(f"{head}steps:\n{steps}outputs:\n{outputs}")


def test_the_whole_language_in_one_recipe() -> None:
    r = loads(WHOLE)
    crop, sky, separate, unmix, bright, smooth = r.steps
    assert (r.version, r.about, r.vars) == (1, "Bicolour picture from a dual-band colour stack.", {"keep": "85%"})
    assert crop.params.keep == Share(85, "%")
    assert crop.reads == {"image": Ref(-1, "stack")}
    assert (sky.id, sky.names, sky.line) == ("sky", {"image": "flat", "model": "glow"}, 7)
    assert sky.reads == {"image": crop.main}
    assert separate.main == Ref(2, "nebula")
    assert unmix.reads == {"image": Ref(2, "nebula"), "stars": Ref(2, "stars")}
    assert bright.params.above == Level(5, "sigma")
    assert bright.reads == {"image": Ref(3, "ha")}
    assert smooth.reads == {"image": Ref(3, "oiii")}
    assert (smooth.mask, smooth.amount, smooth.note) == (Ref(4, "mask"), 0.8, "free text")
    assert r.last == smooth.main == r.outputs[0].ref
    assert [o.file for o in r.outputs] == ["picture.tif", "picture.jpg", "nebula.fits"]
    assert (r.outputs[0].options.bits, r.outputs[1].options.longest) == (16, 2048)
    assert r.outputs[2].ref == Ref(2, "nebula")
    assert r.layers()["oiii"] == smooth.main
    assert r.text == WHOLE


def test_what_a_recipe_rests_on() -> None:
    r = loads(WHOLE)
    assert r.needed(Ref(2, "nebula")) == {0, 1, 2}
    assert r.needed(Ref(-1, "stack")) == frozenset()


def test_a_mask_is_never_what_the_next_step_reads() -> None:
    r = recipe(
        "  - remove_gradient: {}\n  - level_mask: {above: 5 sigma}\n    as: bright\n  - denoise_wavelet: {}\n    mask: bright\n"
    )
    assert r.steps[2].reads == {"image": r.steps[0].main}
    assert r.steps[2].mask == r.steps[1].main
    r = recipe("  - remove_gradient: {}\n  - level_mask: {above: 5 sigma}\n")
    assert r.last == r.steps[0].main


def test_a_mask_that_comes_beside_a_result_is_known() -> None:
    r = recipe("  - separate_stars: {}\n    as: {nebula: nebula, filled: filled}\n  - denoise_wavelet: {}\n    mask: filled\n")
    assert r.steps[1].mask == Ref(0, "filled")


def test_the_first_layer_may_be_given_either_way() -> None:
    lines = "  - unmix_lines: {}\n    as: {ha: ha, oiii: oiii}\n"
    lines += "".join(f"  - stretch_asinh: {{}}\n    from: {name}\n    as: {name}\n" for name in ("ha", "oiii"))
    by_name = recipe(lines + "  - bicolour: {ha: ha, oiii: oiii}\n")
    by_from = recipe(lines + "  - bicolour: {oiii: oiii}\n    from: ha\n")
    assert resolved(by_name) == resolved(by_from)
    assert by_name.steps[-1].reads == {"ha": Ref(1, "image"), "oiii": Ref(2, "image")}


def test_from_last_and_from_stack() -> None:
    r = recipe("  - remove_gradient: {}\n  - denoise_wavelet: {}\n    from: last\n  - denoise_wavelet: {}\n    from: stack\n")
    assert r.steps[1].reads == {"image": Ref(0, "image")}
    assert r.steps[2].reads == {"image": Ref(-1, "stack")}


def test_an_optional_layer_may_be_taken_back() -> None:
    assert "stars" not in recipe("  - unmix_lines: {stars: null}\n").steps[0].reads


def test_braces_may_be_left_empty_altogether() -> None:
    assert resolved(recipe("  - remove_gradient:\n")) == resolved(recipe("  - remove_gradient: {}\n"))


def test_a_skipped_step_passes_on_what_came_in() -> None:
    r = recipe("  - remove_gradient: {}\n    skip: true\n    as: flat\n  - unmix_lines: {}\n    from: flat\n")
    assert r.steps[0].skip
    assert r.steps[1].reads == {"image": r.steps[0].main}
    # a step that nothing reads may be skipped whatever it makes
    recipe("  - level_mask: {above: 5 sigma}\n    skip: true\n  - remove_gradient: {}\n")


def test_after_a_skipped_stretch_nothing_else_is_said() -> None:
    with pytest.raises(RecipeError) as caught:
        recipe("  - stretch_asinh: {}\n    skip: true\n  - curve: {}\n")
    assert [f.place.line for f in caught.value.faults] == [4]


def test_inputs_and_what_they_may_be() -> None:
    head = "version: 1\ninputs:\n  mine: {optional: true, about: painted elsewhere, scale: mask}\n  ha: {scale: linear, kind: line}\n  more:\n"
    r = recipe(
        "  - remove_gradient: {}\n    from: ha\n  - denoise_wavelet: {}\n    mask: mine\n  - denoise_wavelet: {}\n    mask: more\n",
        head,
    )
    assert list(r.inputs) == ["stack", "coverage", "mine", "ha", "more"]
    assert (r.inputs["mine"].optional, r.inputs["mine"].about, r.inputs["mine"].scale) == (True, "painted elsewhere", "mask")
    assert (r.inputs["coverage"].optional, r.inputs["stack"].scale, r.inputs["more"].scale) == (True, "linear", None)
    assert r.steps[1].mask == Ref(-1, "mine")


def test_a_stretched_stack_is_worked_on_by_display_steps() -> None:
    r = recipe("  - curve: {}\n", "version: 1\ninputs: {stack: {scale: display}}\n")
    assert r.inputs["stack"].scale == "display"


def test_layers_cropped_alike_fit_and_the_stack_does_not() -> None:
    stars = "  - separate_stars: {}\n    as: {nebula: nebula, stars: stars}\n"
    crop = "  - crop_to_coverage: {{keep: {keep}}}\n    from: {layer}\n    as: {layer}\n"
    add = "  - add_stars: {stars: stars}\n    from: nebula\n"
    recipe(stars + crop.format(keep="80%", layer="nebula") + crop.format(keep="80%", layer="stars") + add)
    with pytest.raises(RecipeError, match="differ in size"):
        recipe(stars + crop.format(keep="80%", layer="nebula") + crop.format(keep="90%", layer="stars") + add)


def test_ids_and_who_may_be_called_by_them() -> None:
    r = recipe(
        "  - denoise_wavelet: {}\n  - denoise_wavelet: {}\n    id: again\n  - denoise_wavelet: {}\n  - remove_gradient: {}\n"
    )
    assert [c.id for c in r.steps] == ["denoise_wavelet-1", "again", "denoise_wavelet-2", "remove_gradient"]
    assert [c.called for c in r.steps] == [False, True, False, True]
    assert r.by_id("again").index == 1
    assert r.by_id("remove_gradient").index == 3
    with pytest.raises(UsageError, match="occurs 3 times; say which by its id: again"):
        r.by_id("denoise_wavelet")
    with pytest.raises(UsageError, match="did you mean 'again'"):
        r.by_id("agian")
    with pytest.raises(UsageError, match="no step called 'denoise_wavelet-1'"):
        r.by_id("denoise_wavelet-1")
    with pytest.raises(UsageError, match=r"a step is told by its id, a text, found 3; ids of this recipe: .*again"):
        r.by_id(3)


def test_a_step_with_an_id_may_still_be_called_by_its_name_where_that_occurs_once() -> None:
    assert loads(WHOLE).by_id("remove_gradient").id == "sky"


def test_resolved_is_plain_and_the_same_for_the_same_choices() -> None:
    told = resolved(loads(WHOLE))
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    assert told["steps"][0]["params"]["keep"] == "85%"
    assert told["steps"][3]["reads"] == {"image": "separate_stars.nebula", "stars": "separate_stars.stars"}
    other = (
        WHOLE.replace("vars: {keep: 85%}", "vars: {kept: 85%}").replace("${keep}", "${kept}").replace("# optional", "# remark")
    )
    assert resolved(loads(other)) == told


@pytest.mark.parametrize("defaults", [False, True])
@pytest.mark.parametrize("name", ["the example", *sorted(shipped())])
def test_a_recipe_written_out_reads_back_as_the_same(name: str, defaults: bool) -> None:
    r = loads(WHOLE) if name == "the example" else load(name)
    assert resolved(loads(to_yaml(r, defaults=defaults))) == resolved(r)


@pytest.mark.parametrize("name", sorted(shipped()))
def test_shipped_recipes_have_no_fault_and_teach(name: str) -> None:
    r = load(name)
    assert r.about
    assert r.outputs
    assert r.text.startswith("# yaml-language-server: $schema=recipe.schema.json\n")
    steps = [line for line in r.text.split("\n") if line.lstrip().startswith("- ")]
    remarks = [line for line in r.text.split("\n") if "#" in line]
    assert len(remarks) >= len(steps) / 4, "a shipped recipe explains what it does"


def test_the_recipes_that_must_be_there() -> None:
    assert set(shipped()) >= {"bicolour", "lines", "starless", "one_line", "natural"}
    assert {o.file for o in load("bicolour").outputs} >= {"picture.tif", "picture.jpg", "ha.fits", "oiii.fits"}
    assert {o.file for o in load("lines").outputs} == {"ha.fits", "oiii.fits"}


def test_a_long_recipe_is_checked_at_once() -> None:
    steps = "".join(f"  - denoise_wavelet: {{strength: {i % 5}.5}}\n    as: layer{i}\n" for i in range(400))
    recipe(steps)
    start = time.perf_counter()
    recipe(steps)
    assert time.perf_counter() - start < 2, "linear in the steps: this is some 0.1 s"


def test_nothing_that_opens_pictures_is_loaded() -> None:
    assert "nebulakit.files.fits" not in vars(sys.modules["nebulakit.recipe"])


def test_a_step_may_be_called_by_its_own_name_among_its_like() -> None:
    r = recipe(
        "  - denoise_wavelet: {}\n    id: first\n  - denoise_wavelet: {}\n    id: denoise_wavelet\n  - denoise_wavelet: {}\n"
    )
    assert [c.id for c in r.steps] == ["first", "denoise_wavelet", "denoise_wavelet-1"]
    assert r.by_id("denoise_wavelet").index == 1
    assert resolved(loads(to_yaml(r))) == resolved(r)
