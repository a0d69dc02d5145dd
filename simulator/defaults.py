"""A bench rig: plausible constants for a small press, to be set per rig, and its state at rest."""

from sequencer.physics.flow import REFERENCE_K, ZERO_CELSIUS_K
from sequencer.physics.nitrogen import filled_kg
from sequencer.physics.polymer import SLOT_ENTRY, SLOT_WALL
from sequencer.physics.thermal import (
    half_rule_dead_s,
    half_rule_lag_s,
    simc_gain,
    simc_integral_s,
)
from simulator.values import PlantParams, PlantState

_dm3_per_s_bar = 1.0e-8
_psi = 6894.757


def bench_rig() -> PlantParams:
    """The default rig: 0.2 L film vessel, 125 mm clamp cylinder, 500 W head, 50 um film.

    The foil is an acrylic sheet (glass transition 105 degC, a common moulding viscosity) under a
    shallow grating.
    """
    heater_W, loss_W_per_K = 500.0, 2.0
    block_J_per_K, head_J_per_K, block_to_head_W_per_K = 1700.0, 100.0, 30.0
    element_lag_s = 8.0
    main_lag_s = (block_J_per_K + head_J_per_K) / loss_W_per_K
    lag_s = half_rule_lag_s(main_lag_s, element_lag_s)
    dead_s = half_rule_dead_s(element_lag_s, head_J_per_K / block_to_head_W_per_K, 0.0)
    gain_K_per_percent = heater_W / 100.0 / loss_W_per_K
    return PlantParams(
        room_abs_Pa=101325.0,
        ambient_degC=23.0,
        critical_ratio=0.3,
        bottle_m3=0.049,
        inlet_m3=15.0e-6,
        outlet_m3=30.0e-6,
        gap_m3=5.0e-6,
        film_m3=0.2e-3,
        bottle_conductance=0.3 * _dm3_per_s_bar,
        regulator_conductance=0.3 * _dm3_per_s_bar,
        isolation_conductance=1.0 * _dm3_per_s_bar,
        supply_conductance=0.5 * _dm3_per_s_bar,
        vent_conductance=0.5 * _dm3_per_s_bar,
        lifted_seal_conductance=0.2 * _dm3_per_s_bar,
        burst_conductance=20.0 * _dm3_per_s_bar,
        regulator_lag_s=0.3,
        regulator_droop_Pa_s_per_kg=2.0 * _psi / 1.0e-3,
        regulator_supply_effect=0.01,
        regulator_reference_Pa=2200.0 * _psi,
        regulator_headroom_Pa=1.0e5,
        film_gas_index=1.0,
        film_gas_heating=0.0,
        film_gas_lag_s=2.0,
        air_line_m3=0.5e-3,
        air_conductance=3.0 * _dm3_per_s_bar,
        clamp_conductance=2.0 * _dm3_per_s_bar,
        cylinder_dead_m3=50.0e-6,
        cylinder_bore_m=0.125,
        cylinder_stroke_m=0.050,
        cylinder_efficiency=0.9,
        piston_friction_N=60.0,
        piston_damping_N_s_per_m=5.0e3,
        spring_preload_N=150.0,
        spring_N_per_m=2000.0,
        film_thickness_m=50.0e-6,
        film_window_radius_m=0.025,
        film_gap_m=0.5e-3,
        film_seal_diameter_m=0.050,
        heater_W=heater_W,
        element_lag_s=element_lag_s,
        block_J_per_K=block_J_per_K,
        head_J_per_K=head_J_per_K,
        foil_J_per_K=3.0,
        block_to_head_W_per_K=block_to_head_W_per_K,
        loss_W_per_K=loss_W_per_K,
        coolant_W_per_K=20.0,
        contact_closed_W_per_K=3.3,
        contact_open_W_per_K=0.02,
        foil_loss_W_per_K=0.05,
        controller_percent_per_K=simc_gain(gain_K_per_percent, lag_s, dead_s, 3.0 * dead_s),
        controller_integral_s=simc_integral_s(lag_s, dead_s, 3.0 * dead_s),
        setpoint_ramp_K_per_s=1.0e6,
        foil_tg_degC=105.0,
        foil_reference_degC=105.0,
        foil_reference_Pa_s=7.82e12,
        foil_c1=13.81,
        foil_c2_K=51.6,
        pattern_entry=SLOT_ENTRY,
        pattern_wall=SLOT_WALL,
        pattern_aspect_ratio=0.5,
        pattern_contact_fraction=1.0,
        pattern_capillary_Pa=0.0,
        pattern_sealed=0.0,
    )


def resting_state(params: PlantParams, bottle_Pa: float, house_air_Pa: float) -> PlantState:
    """A cold rig at rest: bottle and air open, regulator backed out, lines empty, clamp open."""
    ambient_degC = params.ambient_degC
    return PlantState(
        bottle_kg=filled_kg(params.bottle_m3, bottle_Pa + params.room_abs_Pa),
        inlet_Pa=bottle_Pa,
        regulator_spring_Pa=0.0,
        outlet_Pa=0.0,
        gap_Pa=0.0,
        film_Pa=0.0,
        film_gas_degC=REFERENCE_K - ZERO_CELSIUS_K,
        air_line_Pa=house_air_Pa,
        cylinder_Pa=0.0,
        piston_m=0.0,
        element_W=0.0,
        block_degC=ambient_degC,
        head_degC=ambient_degC,
        foil_degC=ambient_degC,
        controller_percent=0.0,
        followed_setpoint_degC=ambient_degC,
        dose=0.0,
        fill_fraction=0.0,
        film_intact=1.0,
        gas_used_kg=0.0,
        vented_kg=0.0,
        leaked_kg=0.0,
        film_peak_Pa=0.0,
        film_stress_peak_Pa=0.0,
        head_peak_degC=ambient_degC,
    )
