"""What the linear model of a drive is made of, at one operating point. Pairs are (d, q); SI, angles electrical."""

from dataclasses import dataclass

import numpy as np

TURN = np.array([[0.0, -1.0], [1.0, 0.0]])  # a quarter turn ahead: the j of complex notation


def rotation(angle_rad):
    """(angle) => matrix (2, 2) that turns a vector ahead by it."""
    return np.cos(angle_rad) * np.eye(2) + np.sin(angle_rad) * TURN


@dataclass(frozen=True, kw_only=True, eq=False)
class Winding:
    """The machine at its operating point: resistance with what the legs add, incremental inductances (2, 2); flux linkages,
    terminal currents (2,); iron current over flux linkage [A/Wb], a quarter turn ahead."""

    pole_pairs: float
    resistance_ohm: np.ndarray
    inductance_H: np.ndarray
    flux_Wb: np.ndarray
    current_A: np.ndarray
    iron_A_per_Wb: float = 0.0

    @property
    def to_magnetising(self):
        """Magnetising currents from flux linkages (2, 2) [1/H]."""
        return np.linalg.inv(self.inductance_H)

    @property
    def to_current(self):
        """Terminal currents from flux linkages (2, 2) [1/H]."""
        return self.to_magnetising + self.iron_A_per_Wb * TURN

    @property
    def torque_per_flux(self):
        """Change of torque with the flux linkages (2,) [Nm/Wb]; magnetising currents make it."""
        psi, i, per = self.flux_Wb, self.current_A - self.iron_A_per_Wb * TURN @ self.flux_Wb, self.to_magnetising
        return 1.5 * self.pole_pairs * (psi[0] * per[1] - psi[1] * per[0] + np.array([i[1], -i[0]]))


@dataclass(frozen=True, kw_only=True)
class Timing:
    """Update period; sampling instant after the update's tick; updates from a sample to the duties it leads to."""

    update_s: float
    shift_s: float
    delay_updates: int

    @property
    def dead_s(self):
        """From the sample to the middle of the period in which its voltage acts."""
        return (self.delay_updates + 0.5) * self.update_s - self.shift_s


@dataclass(frozen=True, kw_only=True)
class Tracking:
    """Resolver's tracking loop; electrical_ratio is the machine's pole pairs over the resolver's."""

    natural_rad_s: float
    damping: float
    pole_pairs: float
    electrical_ratio: float


@dataclass(frozen=True, kw_only=True)
class Counting:
    """Encoder: share of the way that its speed goes to the counted one in an update, counted over true turns."""

    share: float
    gain: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Sensing:
    """Low-pass of the currents (0: none), their mean gain (2, 2), constant angle error, what follows the angle."""

    bandwidth_rad_s: float
    gain: np.ndarray
    angle_error_rad: float
    tracking: Tracking | None = None
    counting: Counting | None = None


@dataclass(frozen=True, kw_only=True)
class SecondMass:
    """What hangs on an elastic shaft, without play: friction and load torque act there."""

    inertia_kg_m2: float
    viscous_Nm_s: float
    stiffness_Nm_per_rad: float
    damping_Nm_s: float


@dataclass(frozen=True, kw_only=True)
class Shaft:
    """A shaft that turns freely; torque_share: of the machine's torque, behind the gear's loss."""

    inertia_kg_m2: float
    viscous_Nm_s: float
    torque_share: float = 1.0
    load: SecondMass | None = None

    @property
    def total_inertia_kg_m2(self):
        """What a slow torque turns [kg m2]."""
        return self.inertia_kg_m2 + (self.load.inertia_kg_m2 if self.load is not None else 0.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class CurrentControl:
    """The current controller as it believes the drive to be.

    kp, ki, active_ohm (2,); feed_forward_ohm (2, 2): voltage for a change of the references; bandwidth_Hz: what the gains were
    made for, or kp/(2 pi L) of the faster axis; voltage_gain: voltage got over voltage asked.
    """

    kp: np.ndarray
    ki: np.ndarray
    active_ohm: np.ndarray
    feed_forward_ohm: np.ndarray
    decoupling: bool
    inductance_H: np.ndarray
    flux_Wb: np.ndarray
    advance_s: float
    voltage_gain: float
    bandwidth_Hz: float
    update_s: float


@dataclass(frozen=True, kw_only=True, eq=False)
class SpeedControl:
    """PI gains, set-point weight, damper, and how the current references (2,) move with torque [A/Nm] and speed [A s/rad].

    by_bandwidth: the gains follow a bandwidth, kp with it and ki with its square. damping_Nm_s acts on the speed less a slow
    one that follows it by highpass_share an update.
    """

    kp: float
    ki: float
    weight: float
    bandwidth_Hz: float
    by_bandwidth: bool
    damping_Nm_s: float
    highpass_share: float
    current_per_torque: np.ndarray
    current_per_speed: np.ndarray


@dataclass(frozen=True, kw_only=True)
class LinearDrive:
    """All of it. shaft None: the speed is held. speed None: there is no speed loop."""

    winding: Winding
    timing: Timing
    sensing: Sensing
    shaft: Shaft | None
    current: CurrentControl
    speed: SpeedControl | None
    omega_e: float

    @property
    def stator_voltage_V(self):
        """(d, q) mean voltage at rest in this operating point (2,)."""
        w = self.winding
        return w.resistance_ohm @ w.current_A + self.omega_e * TURN @ w.flux_Wb

    @property
    def filtered_A(self):
        """(d, q) output of the currents' low-pass at rest (2,): at speed it lags and shrinks what turns in the stator."""
        i, f = self.winding.current_A, self.sensing.bandwidth_rad_s
        if f <= 0.0:
            return i
        turned = complex(*i) * f / complex(f, self.omega_e)
        return np.array([turned.real, turned.imag])
