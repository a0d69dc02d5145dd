"""From a rig file and its options to the simulated rig as it is found."""

import math
from random import Random

from sequencer.config import CONTACT_ROLES, TEMPERATURE_ROLES, Rig
from sequencer.model import ChannelValue
from sequencer.physics.polymer import HOLE_ENTRY, HOLE_WALL, SLOT_ENTRY, SLOT_WALL
from sequencer.physics.thermal import (
    half_rule_dead_s,
    half_rule_lag_s,
    simc_gain,
    simc_integral_s,
)
from sequencer.units import ns
from simulator.bench import Advance, Bench, Hands
from simulator.coils import coils_for_clamp, positions
from simulator.defaults import bench_rig, resting_state
from simulator.gauges import Gauge, PRESSURE_STOP_Pa
from simulator.options import Options
from simulator.sensors import Character, Contact, Transmitter
from simulator.values import Actuation, PlantParams, PlantState

MOVING = ("isolation", "supply", "vent", "clamp_apply", "coolant")
DISPLAY_STOP_degC = -math.inf


def plant_params(options: Options, rig: Rig) -> PlantParams:
    """Return the bench rig's constants with the rig's geometry and the options put in."""
    bench, geometry, stack = bench_rig(), rig.geometry, options.stack
    gas, air = options.gas, options.air
    hole = stack.feature == "hole"
    aspect = bench.pattern_aspect_ratio
    if stack.width_m is not None and stack.height_m is not None:
        aspect = stack.height_m / stack.width_m
    params = bench._replace(
        ambient_degC=_or(options.ambient_degC, bench.ambient_degC),
        bottle_m3=geometry.bottle_volume_m3,
        outlet_m3=geometry.line_volume_m3,
        film_m3=geometry.film_volume_m3,
        gap_m3=_or(gas.gap_volume_m3, bench.gap_m3),
        regulator_conductance=_or(gas.regulator, bench.regulator_conductance),
        isolation_conductance=_or(gas.isolation, bench.isolation_conductance),
        supply_conductance=_or(gas.supply, bench.supply_conductance),
        vent_conductance=_or(gas.vent, bench.vent_conductance),
        regulator_lag_s=_or(gas.regulator_lag_s, bench.regulator_lag_s),
        regulator_supply_effect=_or(gas.supply_effect, bench.regulator_supply_effect),
        air_line_m3=_or(air.line_volume_m3, bench.air_line_m3),
        clamp_conductance=_or(air.clamp, bench.clamp_conductance),
        cylinder_stroke_m=_or(air.stroke_m, bench.cylinder_stroke_m),
        cylinder_bore_m=geometry.cylinder_bore_m,
        cylinder_efficiency=geometry.cylinder_efficiency,
        film_thickness_m=geometry.film_thickness_m,
        film_window_radius_m=0.5 * geometry.window_diameter_m,
        film_gap_m=geometry.free_gap_m,
        film_seal_diameter_m=geometry.film_seal_diameter_m,
        foil_tg_degC=_or(stack.tg_degC, bench.foil_tg_degC),
        foil_reference_degC=_or(stack.reference_degC, bench.foil_reference_degC),
        foil_reference_Pa_s=_or(stack.viscosity_Pa_s, bench.foil_reference_Pa_s),
        foil_c1=_or(stack.c1, bench.foil_c1),
        foil_c2_K=_or(stack.c2_K, bench.foil_c2_K),
        pattern_entry=HOLE_ENTRY if hole else SLOT_ENTRY,
        pattern_wall=HOLE_WALL if hole else SLOT_WALL,
        pattern_aspect_ratio=aspect,
        pattern_contact_fraction=_or(stack.contact_fraction, bench.pattern_contact_fraction),
        pattern_sealed=1.0 if stack.cavities == "sealed" else 0.0,
    )
    return _with_head(params, options)


def _with_head(params: PlantParams, options: Options) -> PlantParams:
    """Put another head in, its controller tuned to it by the SIMC rules as the bench rig's is."""
    head = options.head
    capacity = params.block_J_per_K + params.head_J_per_K
    capacity_J_per_K = _or(head.heat_capacity_J_per_K, capacity)
    params = params._replace(
        block_J_per_K=params.block_J_per_K * capacity_J_per_K / capacity,
        head_J_per_K=params.head_J_per_K * capacity_J_per_K / capacity,
        heater_W=_or(head.power_W, params.heater_W),
        loss_W_per_K=_or(head.loss_W_per_K, params.loss_W_per_K),
        coolant_W_per_K=_or(head.cooled_loss_W_per_K, params.coolant_W_per_K),
    )
    if head.ramp_K_per_min is not None:
        params = params._replace(setpoint_ramp_K_per_s=head.ramp_K_per_min / 60.0)
    gain_K_per_percent = params.heater_W / 100.0 / params.loss_W_per_K
    lag_s = half_rule_lag_s(capacity_J_per_K / params.loss_W_per_K, params.element_lag_s)
    between_s = params.head_J_per_K / params.block_to_head_W_per_K
    dead_s = half_rule_dead_s(params.element_lag_s, between_s, 0.0)
    return params._replace(
        controller_percent_per_K=simc_gain(gain_K_per_percent, lag_s, dead_s, 3.0 * dead_s),
        controller_integral_s=simc_integral_s(lag_s, dead_s, 3.0 * dead_s),
    )


def found_state(options: Options, params: PlantParams) -> PlantState:
    """Return the plant as it is found when the program starts."""
    start = options.start
    state = resting_state(params, options.bottle.pressure_Pa, options.air.pressure_Pa)
    head_degC = _or(start.head_temperature_degC, params.ambient_degC)
    state = state._replace(
        outlet_Pa=max(start.supply_pressure_Pa, start.regulator_Pa),
        regulator_spring_Pa=start.regulator_Pa,
        gap_Pa=start.gap_pressure_Pa,
        film_Pa=start.film_pressure_Pa,
        film_peak_Pa=start.film_pressure_Pa,
        block_degC=head_degC,
        head_degC=head_degC,
        head_peak_degC=head_degC,
        followed_setpoint_degC=head_degC,
    )
    if start.clamp == "closed":
        state = state._replace(
            piston_m=params.cylinder_stroke_m, cylinder_Pa=options.air.pressure_Pa
        )
    return state


def found_coils(options: Options, rig: Rig) -> dict[str, ChannelValue]:
    """Return the coils as they are found: without power, but for those that the options name."""
    coils: dict[str, ChannelValue] = coils_for_clamp(rig, options.start.clamp == "closed")
    for role in options.start.energised:
        if role in rig.outputs:
            coils[rig.outputs[role].channel] = True
    return coils


def make_bench(options: Options, rig: Rig, advance: Advance) -> Bench:
    """Return the simulated bench as found, its time not begun."""
    params, start = plant_params(options, rig), options.start
    rng = Random(f"{options.seed} valves")
    least, most = options.gas.valve_travel_least_s, options.gas.valve_travel_most_s
    travel_ns = {name: ns(rng.uniform(least, most)) for name in MOVING}
    if rig.three_way:
        travel_ns["vent"] = travel_ns["supply"]
    leak = _or(options.gas.leak, Actuation().film_leak_conductance)
    clamp_found = 1.0 if start.clamp == "closed" else 0.0
    return Bench(
        params,
        found_state(options, params),
        advance,
        hands=Hands(
            regulator_Pa=start.regulator_Pa,
            controller_degC=start.controller_degC,
            bottle_open=start.bottle_valve == "open",
            air_open=start.house_air == "open",
            guard_closed=start.guard == "closed",
            stack_in=False,
        ),
        found=positions(found_coils(options, rig), rig, clamp_found),
        told=Actuation(
            house_air_Pa=options.air.pressure_Pa,
            film_leak_conductance=leak,
            piston_stop_m=params.cylinder_stroke_m,
        ),
        travel_ns=travel_ns,
        three_way=rig.three_way,
    )


def make_gauges(options: Options, rig: Rig) -> dict[str, Gauge]:
    """Return the gauges that the rig has, each out by its own share."""
    given = options.gauges
    divisions = {
        "film": given.film_Pa,
        "clamp": given.clamp_Pa,
        "regulator": given.regulator_Pa,
        "bottle": given.bottle_Pa,
        "air": given.air_Pa,
        "head": given.head_K,
    }
    gauges: dict[str, Gauge] = {}
    for name in rig.gauges:
        error = Random(f"{options.seed} gauge {name}").uniform(-given.error, given.error)
        stop = DISPLAY_STOP_degC if name == "head" else PRESSURE_STOP_Pa
        gauges[name] = Gauge(divisions[name], error, stop)
    return gauges


def make_transmitters(options: Options, rig: Rig) -> dict[str, Transmitter | Contact]:
    """Return the rig's inputs by role, in the order of the rig file."""
    given = options.sensors
    pressure = Character(
        given.pressure_lag_s,
        given.pressure_noise_Pa,
        given.pressure_offset_Pa,
        given.pressure_step_Pa,
        0.0,
    )
    temperature = Character(
        given.temperature_lag_s,
        given.temperature_noise_K,
        given.temperature_offset_K,
        given.temperature_step_K,
        given.temperature_period_s,
    )
    transmitters: dict[str, Transmitter | Contact] = {}
    for role, channel in rig.inputs.items():
        rng = Random(f"{options.seed} sensor {role}")
        if role in CONTACT_ROLES:
            transmitters[role] = Contact(channel)
        elif role in TEMPERATURE_ROLES:
            transmitters[role] = Transmitter(channel, temperature, rng)
        elif role == "bottle_pressure":
            bottle = pressure._replace(noise=given.bottle_noise_Pa)
            transmitters[role] = Transmitter(channel, bottle, rng)
        else:
            transmitters[role] = Transmitter(channel, pressure, rng)
    return transmitters


def _or(given: float | None, default: float) -> float:
    return default if given is None else given
