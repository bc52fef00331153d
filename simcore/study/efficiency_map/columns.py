"""What is kept of a point, by name: the columns of map.csv and the arrays of map.npz."""

# Means over the window.
MEANS = (
    "id_A", "iq_A", "power_link_W", "power_terminal_W", "power_shaft_W", "loss_conduction_W", "loss_switching_W",
    "loss_gate_W", "loss_capacitor_W", "loss_copper_W", "loss_iron_W", "loss_mechanical_W", "winding_degC", "magnet_degC",
    "voltage_margin_V", "link_voltage_V",
)  # fmt: skip
# Greatest value in the window: what a limit is compared with.
GREATEST = ("junction_degC", "peak_voltage_V", "dv_dt_V_per_s")
LOSSES = {
    "loss_conduction_W": "conduction", "loss_switching_W": "switching", "loss_gate_W": "gate drive",
    "loss_capacitor_W": "link capacitor", "loss_copper_W": "copper", "loss_iron_W": "iron",
    "loss_mechanical_W": "mechanical",
}  # fmt: skip
ABSENT = {name: 0.0 for name in LOSSES}  # of a signal that a drive does not have
VALUES = ("torque_reached_Nm", *MEANS, *GREATEST, "binding_limit", "periods", "simulated_s")
# In the order in which map.csv has them; efficiencies follow from the powers.
TABLE = (
    "speed_rpm", "torque_Nm", "torque_reached_Nm", "id_A", "iq_A", "efficiency_inverter", "efficiency_machine",
    "efficiency_drive", "loss_conduction_W", "loss_switching_W", "loss_copper_W", "loss_iron_W", "junction_degC",
    "voltage_margin_V", "binding_limit", "loss_gate_W", "loss_capacitor_W", "loss_mechanical_W", "winding_degC",
    "magnet_degC", "peak_voltage_V", "dv_dt_V_per_s",
    "power_link_W", "power_terminal_W", "power_shaft_W", "link_voltage_V", "periods", "simulated_s",
    "status", "reason",
)  # fmt: skip
# Of a point out of reach these stay: what the drive did instead.
TOLD_OUT_OF_REACH = ("torque_reached_Nm", "binding_limit", "periods", "simulated_s")

OK, OUT_OF_REACH, UNSTEADY, FAILED = "ok", "out_of_reach", "unsteady", "failed"
STATUSES = (OK, OUT_OF_REACH, UNSTEADY, FAILED)
