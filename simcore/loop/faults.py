"""The faults of a run: their schedule over its own records, and what is told of them."""

from simcore.loop.records import PROFILES
from simcore.safety.fault_schedule import NEVER, FaultSchedule
from simcore.scenario.check_plant import magnets_Wb

_MOST_TOLD = 3  # spans of an intermittent fault that are told one by one


class RunFaults:
    """(scenario, its records at tick 0) => when to stop next, what to write then, what to tell at the end."""

    def __init__(self, scenario, params, states):
        self.scenario, self.schedule = scenario, None
        if scenario.fault:
            records = {"params": params, "states": states}
            self.schedule = FaultSchedule(scenario, records, PROFILES, magnets_Wb(scenario.machine))

    @property
    def next_tick(self):
        """Tick of the next patch, beyond any run where there is none."""
        return NEVER if self.schedule is None else self.schedule.next_tick

    def apply(self, tick):
        """Write what is due by this tick."""
        self.schedule.apply(tick)

    @property
    def change_machine(self):
        """True where a fault changes the machine's flux."""
        return any(fault.kind == "magnet_demagnetised" for fault in self.scenario.fault)

    def told(self, done):
        """(ticks done) => a sentence for each fault: which, when, and the caution."""
        if self.schedule is None:
            return []
        pairs = zip(self.scenario.fault, self.schedule.spans, strict=True)
        return [self._sentence(k, fault, spans, done) for k, (fault, spans) in enumerate(pairs)]

    def _sentence(self, k, fault, spans, done):
        acted = [span for span in spans if span[0] < done]
        if not acted:
            return f"Fault {k + 1}, {fault.title}, did not act: the run ended before {fault.at_s:g} s."
        return f"Fault {k + 1}, {fault.title}, acted {self._when(fault, acted, done)}. {fault.caution}".rstrip()

    def _when(self, fault, acted, done):
        tick_s = self.scenario.tick_s
        if fault.momentary:
            return f"at {acted[0][0] * tick_s:.6g} s"
        parts = [
            f"from {first * tick_s:.6g} s" + (" to the end" if last >= done else f" to {last * tick_s:.6g} s")
            for first, last in acted
        ]
        if len(parts) <= _MOST_TOLD:
            return ", ".join(parts)
        return f"{len(parts)} times, first {parts[0]}, last {parts[-1]}"
