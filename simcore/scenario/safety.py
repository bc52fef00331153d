"""[safety]: the monitor beside the controller. A table for each check; one that is not there is not made."""

from typing import Literal

from simcore.scenario.fields import Table, quantity, table, word

Reaction = Literal[
    "report", "derate", "ramp_down", "gates_off", "safe_state", "active_short_low", "active_short_high"
]
_REACTION = "what happens then; safe_state: gates off or active short circuit, by the speed"
_LATCHING = "holds until a restart; false: lets go when the value has been right for as long as debounce_s"


class Check(Table):
    """Keys of every check."""

    on: bool = word("false: leaves out a check that a part brings", True)
    debounce_s: float = quantity("s", "time that the value must lie beyond before it counts", 0.0, ge=0, le=1e3)
    reaction: Reaction = word(_REACTION, "safe_state")
    latching: bool = word(_LATCHING, True)


class OvercurrentFast(Check):
    """Comparators on the phase currents in front of the converters, once a tick."""

    threshold_A: float | None = quantity("A", "phase current; by default 1.5 x machine.max_current_A", None, gt=0, le=1e6)


class Desaturation(Check):
    """Voltage across a switch that is on, seen by its gate driver."""

    threshold_V: float | None = quantity(
        "V", "by default the drop at 2.5 x machine.max_current_A, and no less than 5 V", None, gt=0, le=1e5
    )


class GateFeedback(Check):
    """Time by which a gate follows its command too late, or has not followed it."""

    threshold_s: float = quantity("s", "delay besides the dead time", 1e-6, gt=0, le=1)
    debounce_s: float = quantity("s", "time that it must lie above", 2e-4, ge=0, le=1e3)


class Overcurrent(Check):
    """Sampled phase currents."""

    threshold_A: float | None = quantity("A", "phase current; by default 1.25 x machine.max_current_A", None, gt=0, le=1e6)
    debounce_s: float = quantity("s", "time that it must lie above", 2e-4, ge=0, le=1e3)


class CurrentSum(Check):
    """Sum of three measured currents, which is zero without a fault."""

    threshold_A: float | None = quantity("A", "size of the sum; by default 0.1 x machine.max_current_A", None, gt=0, le=1e6)
    debounce_s: float = quantity("s", "time that it must lie above", 1e-3, ge=0, le=1e3)


class CurrentRange(Check):
    """A sample at the end of its converter's range."""

    threshold_A: float | None = quantity("A", "by default the end of the range", None, gt=0, le=1e6)
    debounce_s: float = quantity("s", "time that it must lie there", 2e-4, ge=0, le=1e3)


class CurrentStuck(Check):
    """A sample that stands still while the rotor turns."""

    threshold_A: float | None = quantity(
        "A", "way that turning should have moved it; by default 0.1 x machine.max_current_A", None, gt=0, le=1e6
    )
    debounce_s: float = quantity("s", "time that it must stand beyond that", 1.5e-4, ge=0, le=1e3)
    band_A: float | None = quantity(
        "A", "a sample that stays within this stands still; by default 0.1 % of machine.max_current_A", None, ge=0, le=1e6
    )


class CurrentPlausibility(Check):
    """Measured currents against those of a model that the commanded voltages drive."""

    threshold_A: float | None = quantity(
        "A", "distance of both current vectors; by default 0.25 x machine.max_current_A", None, gt=0, le=1e6
    )
    debounce_s: float = quantity("s", "time that it must lie above", 2e-3, ge=0, le=1e3)
    model_Hz: float = quantity("Hz", "least rate at which the model follows the measurement", 20.0, gt=0, le=1e4)


class ResolverEnvelope(Check):
    """Root of sin^2 + cos^2 of a resolver's channels, 1 without a fault."""

    threshold_high: float = quantity("", "upper limit", 1.2, gt=1, le=10)
    threshold_low: float = quantity("", "lower limit", 0.8, gt=0, lt=1)
    debounce_s: float = quantity("s", "time that it must lie outside", 2e-4, ge=0, le=1e3)


class ResolverTracking(Check):
    """Angle of a resolver's channels against that of its tracking loop."""

    threshold_deg: float = quantity("deg", "distance, degrees of the resolver", 10.0, gt=0, le=180)
    debounce_s: float = quantity("s", "time that it must lie above", 5e-4, ge=0, le=1e3)


class AngleEmf(Check):
    """Measured angle against the one that the EMF shows."""

    threshold_deg: float = quantity("deg", "distance, electrical degrees", 25.0, gt=0, le=180)
    debounce_s: float = quantity("s", "time that it must lie above", 2e-3, ge=0, le=1e3)
    above_rpm: float | None = quantity(
        "rpm", "slower, the EMF says too little; by default 10 % of machine.max_speed_rpm", None, ge=0, le=1e6
    )


class SpeedJump(Check):
    """Measured speed against its own slow follower."""

    threshold_rpm: float | None = quantity("rpm", "distance; by default 0.2 x machine.max_speed_rpm", None, gt=0, le=1e6)
    debounce_s: float = quantity("s", "time that it must lie above", 2e-4, ge=0, le=1e3)
    follower_s: float = quantity("s", "time constant of the follower", 5e-3, gt=0, le=10)


class Overspeed(Check):
    """Measured speed."""

    threshold_rpm: float | None = quantity("rpm", "speed; by default 1.1 x machine.max_speed_rpm", None, gt=0, le=1e6)
    debounce_s: float = quantity("s", "time that it must lie above", 1e-3, ge=0, le=1e3)


class LinkOvervoltage(Check):
    """Measured link voltage, upper limit."""

    threshold_V: float | None = quantity(
        "V", "link voltage; by default 70 % of the devices' rated voltage, else 1.25 x the supply's", None, gt=0, le=1e5
    )
    debounce_s: float = quantity("s", "time that it must lie above", 2e-4, ge=0, le=1e3)


class LinkUndervoltage(Check):
    """Measured link voltage, lower limit."""

    threshold_V: float | None = quantity("V", "link voltage; by default 60 % of the supply's", None, gt=0, le=1e5)
    debounce_s: float = quantity("s", "time that it must lie below", 2e-3, ge=0, le=1e3)


class LinkDischarge(Check):
    """The link after the contactors were told to open."""

    opened_at_s: float = quantity("s", "when they are told to open", ge=0, le=1e6)
    within_s: float = quantity("s", "time that the link may take", 5.0, gt=0, le=1e5)
    threshold_V: float = quantity("V", "voltage that it must have fallen to", 60.0, gt=0, le=1e5)
    reaction: Reaction = word(_REACTION, "report")


class TorqueRequest(Check):
    """Torque from the measured currents beyond what was asked for, or against it."""

    threshold_Nm: float | None = quantity("Nm", "excess; by default 0.2 x the machine's greatest torque", None, gt=0, le=1e6)
    debounce_s: float = quantity("s", "time that it must lie above", 1e-2, ge=0, le=1e3)
    fall_s: float = quantity("s", "time in which the greatest torque may end after its request", 0.1, gt=0, le=1e3)


class TorquePower(Check):
    """Torque from the power that the commanded voltages bring, against that from the measured currents."""

    threshold_Nm: float | None = quantity("Nm", "distance; by default 0.25 x the machine's greatest torque", None, gt=0, le=1e6)
    debounce_s: float = quantity("s", "time that it must lie above", 1e-2, ge=0, le=1e3)
    filter_s: float = quantity("s", "time constant of both torques", 5e-3, gt=0, le=10)
    above_rpm: float | None = quantity(
        "rpm", "slower, power says too little; by default 10 % of machine.max_speed_rpm", None, ge=0, le=1e6
    )


class WindingTemperature(Check):
    """Measured winding temperature: requests are derated first, then it trips."""

    threshold_degC: float | None = quantity(
        "degC", "trips above; by default machine.heat.max_winding_degC, else 180", None, ge=-60, le=400
    )
    derate_from_degC: float | None = quantity(
        "degC", "the requests are reduced from here, to nothing at the threshold; by default 10 K below", None, ge=-60, le=400
    )
    debounce_s: float = quantity("s", "time that it must lie above", 1e-2, ge=0, le=1e3)


class JunctionTemperature(Check):
    """Measured temperature of the power stage: requests are derated first, then it trips."""

    threshold_degC: float | None = quantity(
        "degC", "trips above; by default the devices' max_junction_degC, else 175", None, ge=-60, le=400
    )
    derate_from_degC: float | None = quantity(
        "degC", "the requests are reduced from here, to nothing at the threshold; by default 10 K below", None, ge=-60, le=400
    )
    debounce_s: float = quantity("s", "time that it must lie above", 1e-2, ge=0, le=1e3)


class TemperatureRange(Check):
    """A temperature that no healthy sensor shows."""

    threshold_high_degC: float = quantity("degC", "upper limit", 250.0, ge=-60, le=1e3)
    threshold_low_degC: float = quantity("degC", "lower limit; an open thermistor reads some -40", -39.0, ge=-300, le=400)
    debounce_s: float = quantity("s", "time that it must lie outside", 1e-2, ge=0, le=1e3)
    reaction: Reaction = word(_REACTION, "derate")


class CommandTimeout(Check):
    """A command that arrives no more."""

    threshold_s: float = quantity("s", "age of a command", 0.02, gt=0, le=1e3)
    reaction: Reaction = word(_REACTION, "ramp_down")


class CommandImplausible(Check):
    """A command beyond its full scale: greatest torque, highest speed, highest current, supply's voltage."""

    threshold_full_scale: float = quantity("", "multiple of full scale", 2.0, gt=0, le=1e6)
    debounce_s: float = quantity("s", "time that it must lie above", 1e-3, ge=0, le=1e3)
    reaction: Reaction = word(_REACTION, "ramp_down")


class UpdateOverrun(Check):
    """Updates in a row whose command comes too late, or not at all."""

    threshold_updates: int = quantity("", "updates that may be missed", 2, ge=0, le=10**6)


class Derating(Table):
    """The reaction derate."""

    torque_share: float = quantity("", "share of every request that is left", 0.5, ge=0, le=1)


class RampDown(Table):
    """The reaction ramp_down: every request is led to zero, then something follows."""

    time_s: float = quantity("s", "from the full request to none", 0.1, gt=0, le=1e3)
    then: Literal["hold", "gates_off", "safe_state"] = word("what follows at zero; hold: stays controlled", "safe_state")


class SafeState(Table):
    """The choice between gates off and an active short circuit, by the speed."""

    active_short_above_rpm: float | None = quantity(
        "rpm", "by default 95 % of the speed at which the EMF reaches the supply's voltage", None, ge=0, le=1e9
    )
    gates_off_below_rpm: float | None = quantity(
        "rpm", "by default 85 % of that speed; between both what held before holds on", None, ge=0, le=1e9
    )
    side: Literal["low", "high"] = word("switches that make the short circuit", "low")


class ActiveShort(Table):
    """How an active short circuit is entered."""

    entry: Literal["direct", "shaped"] = word(
        "at once, or after the monitor has led the current to id = -psi/Ld, where the checks that ask for it trust the sensors",
        "direct",
    )
    shaping_s: float = quantity("s", "longest time in which the current is led", 5e-3, gt=0, le=1)
    bandwidth_Hz: float = quantity("Hz", "rate at which it is led", 300.0, gt=0, le=1e5)


class Restart(Table):
    """How a drive that has latched a ramp-down or a safe state comes back."""

    rule: Literal["never", "at_standstill", "on_request"] = word(
        "at_standstill: slow for after_s; on_request: commands.run_request goes to 0 and back to 1", "never"
    )
    after_s: float = quantity("s", "time at standstill", 0.5, ge=0, le=1e5)
    below_rpm: float = quantity("rpm", "what counts as standstill", 10.0, ge=0, le=1e6)


class Safety(Table):
    """Checks of the monitor, and what its reactions do."""

    name: str = word("name for tables and figures", "")
    overcurrent_fast: OvercurrentFast | None = word("phase over-current, comparator in hardware", None)
    desaturation: Desaturation | None = word("switch that is on and does not conduct well", None)
    gate_feedback: GateFeedback | None = word("gate that does not follow its command", None)
    overcurrent: Overcurrent | None = word("phase over-current, sampled", None)
    current_sum: CurrentSum | None = word("sum of three phase currents", None)
    current_range: CurrentRange | None = word("current sensor at the end of its range", None)
    current_stuck: CurrentStuck | None = word("current sensor that stands still", None)
    current_plausibility: CurrentPlausibility | None = word("currents against a model", None)
    resolver_envelope: ResolverEnvelope | None = word("sin^2 + cos^2 of a resolver", None)
    resolver_tracking: ResolverTracking | None = word("resolver's tracking error", None)
    angle_emf: AngleEmf | None = word("angle against the EMF", None)
    speed_jump: SpeedJump | None = word("speed that jumps", None)
    overspeed: Overspeed | None = word("over-speed", None)
    link_overvoltage: LinkOvervoltage | None = word("link over-voltage", None)
    link_undervoltage: LinkUndervoltage | None = word("link under-voltage", None)
    link_discharge: LinkDischarge | None = word("link not discharged in time", None)
    torque_request: TorqueRequest | None = word("torque that nobody asked for", None)
    torque_power: TorquePower | None = word("torque from power against torque from currents", None)
    winding_temperature: WindingTemperature | None = word("winding too hot", None)
    junction_temperature: JunctionTemperature | None = word("power stage too hot", None)
    temperature_range: TemperatureRange | None = word("temperature that no healthy sensor shows", None)
    command_timeout: CommandTimeout | None = word("command that arrives no more", None)
    command_implausible: CommandImplausible | None = word("command beyond its full scale", None)
    update_overrun: UpdateOverrun | None = word("controller too late", None)
    derating: Derating = table("the reaction derate", Derating)
    ramp_down: RampDown = table("the reaction ramp_down", RampDown)
    safe_state: SafeState = table("the choice by speed", SafeState)
    active_short: ActiveShort = table("entry into an active short circuit", ActiveShort)
    restart: Restart = table("how a latched drive comes back", Restart)

    def check(self, name):
        """The table of a check where it is made, else None."""
        found = getattr(self, name)
        return found if found is not None and found.on else None
