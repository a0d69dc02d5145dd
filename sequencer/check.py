"""The check of a recipe on a rig: every problem at once, margins, warnings, what is not watched.

Nothing here touches a rig. ``imprint check`` prints it; every run stands behind it.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from importlib.metadata import entry_points
from typing import TypeVar

from sequencer.caps import cap_rows, film_cap, weakest
from sequencer.checks.margins import Margins, ROOM_degC, margins
from sequencer.checks.rig import Finding, check_rig
from sequencer.checks.unwatched import Unwatched, unwatched
from sequencer.config import Rig
from sequencer.driver import GROUP, make_driver
from sequencer.errors import DriverUnavailable, InputRefused, Problem
from sequencer.files import find, label, load, read_toml
from sequencer.material import Material, Materials, Span, load_materials
from sequencer.model import Means
from sequencer.physics import film, polymer
from sequencer.recipe import Recipe
from sequencer.units import PSI_Pa, show_pressure, show_temperature, show_time

DEFAULT_RIG = "bench-instrumented"
USUAL_LOW_Pa, USUAL_HIGH_Pa = 60.0 * PSI_Pa, 300.0 * PSI_Pa  # common practice, no source
STAMP_STRESS_Pa = 40.0e6  # above it raised features may break; from memory
THICK_FOIL = 2.0  # widths; a thinner foil is squeezed rather than filled
_ROUNDING = 1.0 + 1e-9


@dataclass(frozen=True, slots=True)
class Check:
    """What the check of a recipe on a rig found.

    ``verified`` is the weakest means of the rig's evidence; ``film_cap_Pa`` the highest film
    pressure that it and the dead-man allow, None where neither caps it.
    """

    problems: tuple[Problem, ...]
    warnings: tuple[Problem, ...]
    margins: Margins
    verified: Means
    film_cap_Pa: float | None
    capped_by: tuple[str, ...]
    unwatched: tuple[Unwatched, ...]


@dataclass(frozen=True, slots=True)
class Loaded:
    """A recipe, a rig and the materials as read, with the check of the one on the other."""

    recipe: Recipe
    rig: Rig
    materials: Materials
    check: Check
    recipe_file: str
    rig_file: str

    @property
    def material(self) -> Material:
        """The recipe's material.

        Raises:
            InputRefused: if the table has none of that name.
        """
        return self.materials.get(self.recipe.material, self.recipe_file)

    def require(self) -> None:
        """Go on only if the recipe may run on the rig.

        Raises:
            InputRefused: with every problem of the check.
        """
        if self.check.problems:
            raise InputRefused(*self.check.problems)


Read = TypeVar("Read")


def load_pair(recipe_arg: str, rig_arg: str | None = None) -> Loaded:
    """Read a recipe and a rig, by path or shipped name, and check the one on the other.

    Raises:
        InputRefused: with every problem of both files, if either cannot be read.
    """
    problems: list[Problem] = []
    recipe = _attempt(lambda: _read("recipes", recipe_arg, Recipe), problems)
    rig = _attempt(lambda: _read("rigs", _named(rig_arg), Rig), problems)
    materials = _attempt(load_materials, problems)
    if recipe is None and materials is not None:
        _attempt(lambda: _material_named(recipe_arg, materials), problems)
    if recipe is None or rig is None or materials is None:
        raise InputRefused(*dict.fromkeys(problems))
    (recipe_file, its_recipe), (rig_file, its_rig) = recipe, rig
    check = check_recipe(
        its_recipe,
        its_rig,
        materials,
        recipe_file=recipe_file,
        rig_file=rig_file,
        back_ends=back_ends(),
    )
    options = _options(its_rig, rig_file)
    check = replace(check, problems=tuple(dict.fromkeys((*check.problems, *options))))
    return Loaded(its_recipe, its_rig, materials, check, recipe_file, rig_file)


def _named(rig_arg: str | None) -> str:
    # Not `or`: an empty name, as an unset variable of a shell gives it, is no wish for the default.
    return DEFAULT_RIG if rig_arg is None else rig_arg


def _options(rig: Rig, file: str) -> list[Problem]:
    """Return what the back end has against its own options; it is made for that, never opened."""
    problems: list[Problem] = []
    if rig.driver.name not in back_ends():
        return problems  # told by the check of the rig
    try:
        _attempt(lambda: make_driver(rig, file), problems)
    except DriverUnavailable as missing:
        advice = "install what it needs"
        problems.append(Problem(file, "driver.name", f'"{rig.driver.name}"', str(missing), advice))
    return problems


def _material_named(recipe_arg: str, materials: Materials) -> None:
    """Look the material up that a recipe names, though the recipe could not be read otherwise."""
    path = find("recipes", recipe_arg)
    code = read_toml(path).get("material")
    if isinstance(code, str):
        materials.get(code, label(path))


def load_rig(rig_arg: str | None = None) -> tuple[Rig, str]:
    """Read a rig, by path or shipped name, for a command without a recipe.

    Raises:
        InputRefused: with every problem of the file or of the rig that it describes.
    """
    file, rig = _read("rigs", _named(rig_arg), Rig)
    problems = [*check_rig(rig, file, back_ends()), *_options(rig, file)]
    if problems:
        raise InputRefused(*problems)
    return rig, file


def back_ends() -> tuple[str, ...]:
    """Return the names of the installed back ends."""
    return tuple(sorted(point.name for point in entry_points(group=GROUP)))


Table = TypeVar("Table", Recipe, Rig)


def _read(folder: str, given: str, model: type[Table]) -> tuple[str, Table]:
    path = find(folder, given)
    return label(path), load(path, model)


def _attempt(read: Callable[[], Read], problems: list[Problem]) -> Read | None:
    try:
        return read()
    except InputRefused as refused:
        problems.extend(refused.problems)
        return None


def check_recipe(
    recipe: Recipe,
    rig: Rig,
    materials: Materials,
    *,
    recipe_file: str,
    rig_file: str,
    back_ends: Iterable[str] = (),
) -> Check:
    """Check a recipe on a rig, and the rig itself; the files name the origins in messages.

    Raises:
        InputRefused: if the recipe names a material that the table lacks, with the other
            problems that can be told without it.
    """
    problems = check_rig(rig, rig_file, back_ends)
    cap_Pa, capped_by = film_cap(rig)
    findings = [*_against_rig(recipe, rig), *_against_caps(recipe, rig)]
    try:
        material = materials.get(recipe.material, recipe_file)
    except InputRefused as refused:
        told = [Problem(recipe_file, *finding) for finding in findings]
        raise InputRefused(*problems, *refused.problems, *told) from None
    numbers = margins(recipe, rig, material)
    findings += [*_against_margins(recipe, rig, numbers), *_against_glass(recipe, material)]
    problems += [Problem(recipe_file, *finding) for finding in findings]
    warnings = [*_unusual(recipe, rig), *_outside_window(recipe, material)]
    warnings += _doubtful(recipe, material, numbers)
    return Check(
        problems=tuple(problems),
        warnings=tuple(Problem(recipe_file, *finding) for finding in warnings),
        margins=numbers,
        verified=weakest(rig),
        film_cap_Pa=cap_Pa,
        capped_by=capped_by,
        unwatched=unwatched(rig),
    )


def _against_caps(recipe: Recipe, rig: Rig) -> Iterator[Finding]:
    film_Pa = recipe.imprint.film_pressure_Pa
    for cap_Pa, reason, lift in cap_rows(rig):
        if film_Pa > cap_Pa * _ROUNDING:
            limit = f"above {show_pressure(cap_Pa)}, {reason}"
            advice = f"lower it, or {lift}"
            yield "imprint.film_pressure", show_pressure(film_Pa), limit, advice


def _against_rig(recipe: Recipe, rig: Rig) -> Iterator[Finding]:
    imprint, limits = recipe.imprint, rig.limits
    pressure = ("imprint.film_pressure", show_pressure(imprint.film_pressure_Pa))
    head = ("imprint.temperature", show_temperature(imprint.temperature_degC))
    if imprint.film_pressure_Pa > limits.film_pressure_Pa * _ROUNDING:
        most = show_pressure(limits.film_pressure_Pa)
        yield *pressure, f"above the rig's limits.film_pressure {most}", "lower it"
    band_K = imprint.temperature_band_K or limits.head_band_K
    if imprint.temperature_degC + band_K > limits.head_temperature_degC:
        most = show_temperature(limits.head_temperature_degC)
        limit = f"with its band of {band_K:g} K above the rig's limits.head_temperature {most}"
        yield *head, limit, "lower it"
    if imprint.pressure_band_Pa is not None and imprint.pressure_band_Pa > limits.film_over_Pa:
        most, value = show_pressure(limits.film_over_Pa), show_pressure(imprint.pressure_band_Pa)
        limit = f"wider than the rig's limits.film_over {most}, which ends the run"
        yield "imprint.pressure_band", value, limit, "narrow it"
    if imprint.temperature_band_K is not None and imprint.temperature_band_K > limits.head_over_K:
        limit = (
            f"wider than the rig's limits.head_over {limits.head_over_K:g} K, which ends the run"
        )
        value = f"{imprint.temperature_band_K:g} K"
        yield "imprint.temperature_band", value, limit, "narrow it"


def _against_margins(recipe: Recipe, rig: Rig, numbers: Margins) -> Iterator[Finding]:
    key, value = "imprint.film_pressure", show_pressure(recipe.imprint.film_pressure_Pa)
    if numbers.clamp_margin * _ROUNDING < rig.limits.clamp_permit:
        air, most = (
            show_pressure(rig.limits.air_pressure_Pa),
            show_pressure(numbers.film_permitted_Pa),
        )
        limit = (
            f"clamp margin {numbers.clamp_margin:.2f} at limits.air_pressure {air} is below "
            f"limits.clamp_permit {rig.limits.clamp_permit:g}"
        )
        yield key, value, limit, f"the clamp permits {most}"
    if numbers.film_margin < rig.limits.film_margin:
        limit = (
            f"film stress {numbers.film_stress_Pa / 1e6:.1f} MPa over the free gap against "
            f"{numbers.film_strength_Pa / 1e6:.1f} MPa strength at imprint.temperature: margin "
            f"{numbers.film_margin:.2f}, below limits.film_margin {rig.limits.film_margin:g}"
        )
        yield key, value, limit, "lower pressure or temperature, narrow the gap, thicken the film"


def _against_glass(recipe: Recipe, material: Material) -> Iterator[Finding]:
    tg_degC = material.glass_transition.value_degC
    glass = f"the glass transition of {recipe.material}, {show_temperature(tg_degC)}"
    imprint_degC = recipe.imprint.temperature_degC
    if imprint_degC < tg_degC + polymer.NO_FLOW_BELOW_TG_PLUS_K:
        low = material.window.temperature_degC.low
        limit = f"must lie at least {polymer.NO_FLOW_BELOW_TG_PLUS_K:g} K above {glass}"
        advice = f"nothing flows there; its window begins at {show_temperature(low)}"
        yield "imprint.temperature", show_temperature(imprint_degC), limit, advice
    if recipe.demold is None:
        return
    demold_degC = recipe.demold.temperature_degC
    if demold_degC >= min(tg_degC, imprint_degC):
        limit = f"must lie below {glass}" if tg_degC < imprint_degC else "must lie below imprint"
        advice = "the pattern would flow back; 20 to 40 K below is usual"
        yield "demold.temperature", show_temperature(demold_degC), limit, advice
    if demold_degC <= ROOM_degC:
        limit = f"lies at or below the room, {show_temperature(ROOM_degC)}: never reached"
        yield "demold.temperature", show_temperature(demold_degC), limit, "raise it"


def _unusual(recipe: Recipe, rig: Rig) -> Iterator[Finding]:
    imprint, stamp = recipe.imprint, recipe.stamp
    value = show_pressure(imprint.film_pressure_Pa)
    if not USUAL_LOW_Pa / _ROUNDING <= imprint.film_pressure_Pa <= USUAL_HIGH_Pa * _ROUNDING:
        limit = "outside 60 to 300 psi, the usual stamping pressures (common practice)"
        yield "imprint.film_pressure", value, limit, "make sure that it is meant"
    if imprint.temperature_degC + rig.limits.head_over_K > rig.limits.head_temperature_degC:
        most = show_temperature(rig.limits.head_temperature_degC)
        limit = f"less than limits.head_over below limits.head_temperature {most}"
        advice = "a small overshoot ends the run"
        yield "imprint.temperature", show_temperature(imprint.temperature_degC), limit, advice
    if imprint.temperature_degC > film.STRENGTH_EXTRAPOLATED_ABOVE_degC:
        limit = "above 200 degC the film's strength is extrapolated"
        advice = "test the real film; look at it after every run"
        yield "imprint.temperature", show_temperature(imprint.temperature_degC), limit, advice
    contact_Pa = imprint.film_pressure_Pa / stamp.contact_fraction
    if contact_Pa > STAMP_STRESS_Pa:
        limit = f"puts {contact_Pa / 1e6:.0f} MPa on the raised features, above 40 MPa"
        yield "stamp.contact_fraction", f"{stamp.contact_fraction:g}", limit, "lower the pressure"
    if recipe.demold is None:
        limit = "is missing: the foil is released hot, on a person's word"
        yield "demold", "", limit, "add a demold temperature below the glass transition"


def _outside_window(recipe: Recipe, material: Material) -> Iterator[Finding]:
    imprint, window = recipe.imprint, material.window
    rows: list[tuple[str, float, Span[float], Callable[[float], str]]] = [
        (
            "imprint.temperature",
            imprint.temperature_degC,
            window.temperature_degC,
            show_temperature,
        ),
        ("imprint.film_pressure", imprint.film_pressure_Pa, window.film_pressure_Pa, show_pressure),
        ("imprint.hold", imprint.hold_s, window.hold_s, show_time),
    ]
    if recipe.demold is not None:
        demold_degC = recipe.demold.temperature_degC
        rows.append(("demold.temperature", demold_degC, window.demold_degC, show_temperature))
    for key, value, span, show in rows:
        if not span.low / _ROUNDING <= value <= span.high * _ROUNDING:
            limit = (
                f"outside {show(span.low)} to {show(span.high)}, the window of {recipe.material}"
            )
            yield key, show(value), limit, f"the window is an {window.confidence}"


def _doubtful(recipe: Recipe, material: Material, numbers: Margins) -> Iterator[Finding]:
    stamp, foil_m, hold_s = recipe.stamp, recipe.foil.thickness_m, recipe.imprint.hold_s
    hold = ("imprint.hold", show_time(hold_s))
    needed_s = numbers.fill_needed_s
    if needed_s is not None and needed_s > hold_s:
        limit = f"shorter than the {show_time(needed_s)} that filling is expected to need"
        advice = (
            f"hotter, harder or longer; viscosity: {material.flow.confidence}, factor 2 and more"
        )
        yield *hold, limit, advice
    tg_degC = material.glass_transition.value_degC
    stays_hot = recipe.demold is None or recipe.demold.temperature_degC > tg_degC - 20.0
    if stays_hot and numbers.relaxation_s is not None and hold_s < 3.0 * numbers.relaxation_s:
        limit = f"shorter than 3 relaxation times, {show_time(3.0 * numbers.relaxation_s)}"
        yield *hold, limit, "the pattern springs back unless cooled 20 K below Tg under pressure"
    if numbers.fill_limit < 1.0:
        limit = f"trapped gas lets sealed cavities fill to {numbers.fill_limit:.0%} at most"
        yield "stamp.cavities", '"sealed"', limit, "the rest depends on the gas dissolving"
    if foil_m < THICK_FOIL * stamp.width_m:
        limit = (
            f"thinner than {THICK_FOIL:g} feature widths ({THICK_FOIL * stamp.width_m * 1e6:g} um)"
        )
        advice = "the fill estimate does not hold; expect slower filling, two peaks per feature"
        yield "foil.thickness", f"{foil_m * 1e6:g} um", limit, advice
    if foil_m < stamp.height_m:
        limit = f"thinner than the features are high ({stamp.height_m * 1e6:g} um)"
        yield (
            "foil.thickness",
            f"{foil_m * 1e6:g} um",
            limit,
            "there is not enough foil to fill them",
        )
