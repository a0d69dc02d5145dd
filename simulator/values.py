"""What the simulated rig is (`PlantParams`), is told (`Actuation`) and is now (`PlantState`).

All fields are floats, so that the same plant runs interpreted and compiled. Pressures are gauge
unless the name says abs. Conductances are ISO 6358 sonic conductances in m3/(s Pa).
"""

from typing import NamedTuple


class PlantParams(NamedTuple):
    """Constants of one rig, its film and its foil."""

    room_abs_Pa: float
    ambient_degC: float
    critical_ratio: float
    # Nitrogen: bottle, regulator inlet, regulator outlet, gap, film vessel, in this order.
    bottle_m3: float
    inlet_m3: float
    outlet_m3: float
    gap_m3: float
    film_m3: float
    bottle_conductance: float
    regulator_conductance: float
    isolation_conductance: float
    supply_conductance: float
    vent_conductance: float
    lifted_seal_conductance: float
    burst_conductance: float
    regulator_lag_s: float
    regulator_droop_Pa_s_per_kg: float
    regulator_supply_effect: float
    regulator_reference_Pa: float
    regulator_headroom_Pa: float
    film_gas_index: float
    film_gas_heating: float
    film_gas_lag_s: float
    # House air: supply, line, clamp valve, cylinder.
    air_line_m3: float
    air_conductance: float
    clamp_conductance: float
    cylinder_dead_m3: float
    cylinder_bore_m: float
    cylinder_stroke_m: float
    cylinder_efficiency: float
    piston_friction_N: float
    piston_damping_N_s_per_m: float
    spring_preload_N: float
    spring_N_per_m: float
    # Film.
    film_thickness_m: float
    film_window_radius_m: float
    film_gap_m: float
    film_seal_diameter_m: float
    # Heated head, its controller, and the foil with its stamp.
    heater_W: float
    element_lag_s: float
    block_J_per_K: float
    head_J_per_K: float
    foil_J_per_K: float
    block_to_head_W_per_K: float
    loss_W_per_K: float
    coolant_W_per_K: float
    contact_closed_W_per_K: float
    contact_open_W_per_K: float
    foil_loss_W_per_K: float
    controller_percent_per_K: float
    controller_integral_s: float
    setpoint_ramp_K_per_s: float
    # Foil polymer and stamp pattern.
    foil_tg_degC: float
    foil_reference_degC: float
    foil_reference_Pa_s: float
    foil_c1: float
    foil_c2_K: float
    pattern_entry: float
    pattern_wall: float
    pattern_aspect_ratio: float
    pattern_contact_fraction: float
    pattern_capillary_Pa: float
    pattern_sealed: float


class Actuation(NamedTuple):
    """Effective positions of everything that can be moved, set or broken; openings are 0 to 1.

    `clamp_apply` 1 joins the cylinder to the air line, 0 to the room. The second half are faults
    and are harmless at their defaults; `heater_stuck` is the least share of the power that flows
    whatever the controller says, `head_sensor_offset_K` what the controller's own sensor reads
    too much, `piston_stop_m` how far the piston can travel before something blocks it.
    """

    isolation: float = 0.0
    supply: float = 0.0
    vent: float = 1.0
    clamp_apply: float = 0.0
    heater_enable: float = 0.0
    heater_setpoint_degC: float = 20.0
    coolant: float = 0.0
    regulator_set_Pa: float = 0.0
    bottle_valve: float = 1.0
    house_air: float = 1.0
    house_air_Pa: float = 620528.1
    film_leak_conductance: float = 1.0e-13
    clamp_leak_conductance: float = 0.0
    supply_leak_conductance: float = 0.0
    isolation_leak_conductance: float = 0.0
    vent_leak_conductance: float = 0.0
    regulator_creep_conductance: float = 0.0
    vent_blocked: float = 0.0
    heater_stuck: float = 0.0
    heater_broken: float = 0.0
    head_sensor_offset_K: float = 0.0
    piston_stop_m: float = 1.0


class PlantState(NamedTuple):
    """Everything the plant remembers, in the order of the flow of gas, force and heat.

    `piston_m` runs from 0 (open) to the stroke (closed); `dose` is the dimensionless integral of
    driving pressure over viscosity; `film_intact` is 1 or 0; the three masses after it balance
    what the bottle lost; the peaks are since this state was made.
    """

    bottle_kg: float
    inlet_Pa: float
    regulator_spring_Pa: float
    outlet_Pa: float
    gap_Pa: float
    film_Pa: float
    film_gas_degC: float
    air_line_Pa: float
    cylinder_Pa: float
    piston_m: float
    element_W: float
    block_degC: float
    head_degC: float
    foil_degC: float
    controller_percent: float
    followed_setpoint_degC: float
    dose: float
    fill_fraction: float
    film_intact: float
    gas_used_kg: float
    vented_kg: float
    leaked_kg: float
    film_peak_Pa: float
    film_stress_peak_Pa: float
    head_peak_degC: float
