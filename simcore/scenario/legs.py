"""Legs that differ: [[inverter.devices.legs]], three tables of keys that lie over the devices and gate settings of all."""

from functools import cache

from pydantic import BaseModel, TypeAdapter, ValidationError


def leg_devices(inverter, leg):
    """(checked [inverter], leg 0..2) => its devices with the leg's own keys over them; None without devices."""
    devices = inverter.devices
    return devices if not _own(inverter, leg) else _devices_over(devices, inverter.devices.legs[leg])


def leg_gate_settings(inverter, leg):
    """(checked [inverter], leg 0..2) => {name: GateSetting} in the file's order, with the leg's own keys over them."""
    own = _own(inverter, leg).get("gate_settings", {})
    return {name: _over(setting, own[name]) if name in own else setting for name, setting in inverter.gate_settings.items()}


def leg_errors(inverter, leg):
    """(inverter, leg 0..2) => pydantic's errors of its own keys, with locations below the leg's table."""
    own = _own(inverter, leg)
    errors = _errors(lambda: _devices_over(inverter.devices, own), ())
    gates = own.get("gate_settings", {})
    for name in gates if isinstance(gates, dict) else ():
        if name in inverter.gate_settings and isinstance(gates[name], dict):
            errors += _errors(lambda name=name: _over(inverter.gate_settings[name], gates[name]), ("gate_settings", name))
    return errors


def _own(inverter, leg):
    return inverter.devices.legs[leg] if inverter.devices is not None and inverter.devices.legs else {}


def _devices_over(devices, own):
    return _over(devices, {key: value for key, value in own.items() if key != "gate_settings"}, leave=("legs",))


def _over(model, own, leave=()):
    """(checked table, keys over it) => checked table; nested tables merge."""
    return _adapter(type(model)).validate_python(_merged(_given(model, leave), own))


def _given(model, leave=()):
    return {
        name: _given(value) if isinstance(value, BaseModel) else value
        for name, value in ((name, getattr(model, name)) for name in model.model_fields_set if name not in leave)
    }


def _merged(lower, upper):
    merged = dict(lower)
    for key, value in upper.items():
        both = isinstance(value, dict) and isinstance(merged.get(key), dict)
        merged[key] = _merged(merged[key], value) if both else value
    return merged


def _errors(make, above):
    try:
        make()
    except ValidationError as error:
        return [{**one, "loc": (*above, *one["loc"])} for one in error.errors(include_url=False)]
    return []


@cache
def _adapter(model):
    return TypeAdapter(model)
