"""Names that expectations may use: signals of a recording and measures of a signal."""

SIGNALS = tuple(
    """
    torque_Nm torque_reference_Nm torque_estimate_Nm speed_rpm speed_reference_rpm angle_deg id_A iq_A
    id_reference_A iq_reference_A id_measured_A iq_measured_A ia_A ib_A ic_A vd_V vq_V va_V vb_V vc_V voltage_margin_V
    duty_a duty_b duty_c link_voltage_V link_current_A supply_current_A angle_error_deg power_supply_W power_link_W
    power_terminal_W power_shaft_W loss_copper_W loss_iron_W loss_conduction_W loss_switching_W junction_degC
    winding_degC binding_limit state fault
    speed_measured_rpm psi_d_Wb psi_q_Wb link_voltage_measured_V loss_supply_W loss_friction_W
    loss_gear_W loss_chopper_W loss_short_W speed_load_rpm shaft_torque_Nm vehicle_speed_kmh state_of_charge
    winding_measured_degC junction_measured_degC loss_gate_W loss_capacitor_W loss_inverter_W loss_machine_W loss_leg_a_W
    loss_leg_b_W loss_leg_c_W sink_degC iron_degC magnet_degC gate_setting peak_voltage_V dv_dt_V_per_s tripped_by
    junction_switch_upper_a_degC junction_switch_lower_a_degC junction_switch_upper_b_degC junction_switch_lower_b_degC
    junction_switch_upper_c_degC junction_switch_lower_c_degC junction_diode_upper_a_degC junction_diode_lower_a_degC
    junction_diode_upper_b_degC junction_diode_lower_b_degC junction_diode_upper_c_degC junction_diode_lower_c_degC
    """.split()
)
# Codes: whole numbers, where "equal" needs no tolerance.
CODES = ("binding_limit", "state", "gate_setting", "tripped_by")
# A controller's own variables are recorded under this prefix; their names are known only when it runs.
OWN_PREFIX = "controller_"

STEP_MEASURES = ("rise_time_s", "settling_time_s", "overshoot_percent")
MEASURES = (
    "mean",
    "min",
    "max",
    "final",
    "rms",
    "peak_to_peak",
    *STEP_MEASURES,
    "steady_error",
    "harmonic_amplitude",
    "thd_percent",
    "integral",
)
# Keys of an expectation that belong to some measures only.
KEYS_OF_MEASURES = {
    "step_at_s": (*STEP_MEASURES, "steady_error"),
    "order": ("harmonic_amplitude",),
    "fundamental_Hz": ("harmonic_amplitude", "thd_percent"),
}
