"""drybench_controller.h: what a controller in C includes.  Layouts come from the records of the contract."""

import hashlib
import re

from controllers.contract import BINDING_LIMITS, COMMAND, EXTRA_SIGNALS, MEASURED

HEADER = "drybench_controller.h"
MARK = "/* drybench_controller.h: made by drybench, not for editing. */"
# Functions a library must export, and what each is; a change of any of these lines makes another layout.
FUNCTIONS = {
    "drybench_layout": "uint64_t drybench_layout(void)",
    "drybench_state_bytes": "int64_t drybench_state_bytes(void)",
    "drybench_signals": "const char *drybench_signals(void)",
    "drybench_reset": "const char *drybench_reset(void *state, const drybench_setup *setup)",
    "drybench_step": "int64_t drybench_step(const drybench_measured *m, drybench_command *c, void *state)",
}
NUMBERS = {"f8": "double", "f4": "float", "i8": "int64_t", "i4": "int32_t", "u8": "uint64_t", "u4": "uint32_t"}

SETUP = """\
/* One number, or one text, of the set-up; text is NULL for a number. drybench_number notes in `read` what was asked for. */
typedef struct {
    const char *name;
    double number;
    const char *text;
    int64_t read;
} drybench_value;

/* What a controller is told before the run. Names: "tuning.KEY" from [controller.tuning]; "machine.KEY", what the
   controller believes of the machine; "inverter.KEY"; "inertia_kg_m2" where the load has one. true is 1, false is 0;
   a list's numbers are named KEY.0, KEY.1, ... The set-up is gone after drybench_reset. */
typedef struct {
    double update_s;
    double tick_s;
    int64_t delay_updates;
    const char *mode;
    int64_t count;
    drybench_value *values;
} drybench_setup;
"""

HELP = """\
/* The value of that name; NULL where the set-up has none. */
static inline drybench_value *drybench_find(const drybench_setup *setup, const char *name)
{
    int64_t k;
    for (k = 0; k < setup->count; k++)
        if (strcmp(setup->values[k].name, name) == 0) {
            setup->values[k].read = 1;
            return &setup->values[k];
        }
    return NULL;
}

/* The number of that name; `otherwise` where the set-up has none. */
static inline double drybench_number(const drybench_setup *setup, const char *name, double otherwise)
{
    const drybench_value *value = drybench_find(setup, name);
    return value != NULL && value->text == NULL ? value->number : otherwise;
}
"""

CONTRACT = """\
/* A library defines these five functions, each with DRYBENCH_EXPORT before it.

   drybench_layout       returns DRYBENCH_LAYOUT, which tells drybench whether this very header was compiled in.
   drybench_state_bytes  size of the state block. Every instance has one of its own, aligned to 64 bytes. Keep everything that
                         changes in it, not in static variables: several instances run at once, also in several threads.
                         The block may be moved between reset and the first step: let it not point into itself.
   drybench_signals      names of own signals with commas between, written to c->extra[0], [1], ...; "" for none.
   drybench_reset        before every run: the block is all zero. Returns NULL, or a sentence on what cannot be used.
   drybench_step         once an update: measurement => command. What is not written in c stays as it was at the update
                         before; at the beginning gates are on. Returns 0; anything else ends the run. */
"""


def c_structs(dtypes):
    """({C type name: aligned record dtype}, parts first) => C structs of the same fields.

    Raises KeyError for a field whose type C has no name for.
    """
    lines, names = [], {}
    for name, dtype in dtypes.items():
        lines.append("typedef struct {")
        for field in dtype.names:
            kind, shape = dtype[field].subdtype or (dtype[field], ())
            dimensions = "".join(f"[{length}]" for length in shape)
            lines.append(f"    {names.get(kind) or NUMBERS[kind.str[1:]]} {field}{dimensions};")
        lines += [f"}} {name};", ""]
        names[dtype] = name
    return "\n".join(lines)


def c_checks(dtypes):
    """({C type name: record dtype}) => declarations that stop a C compiler which lays the structs out otherwise.

    A negative array length does so: C99 has no static assertion.
    """
    lines = []
    for name, dtype in dtypes.items():
        checks = [f"sizeof({name}) == {dtype.itemsize}"]
        checks += [f"offsetof({name}, {field}) == {place[1]}" for field, place in dtype.fields.items()]
        lines += [f"typedef char {name}_is_laid_out_otherwise[", "    " + " &&\n    ".join(checks), "    ? 1 : -1];"]
    return "\n".join(lines)


def _declarations():
    limits = ",\n       ".join(f"DRYBENCH_LIMIT_{name.upper()} = {code}" for code, name in BINDING_LIMITS.items())
    functions = "\n".join(f"DRYBENCH_EXPORT {prototype};" for prototype in FUNCTIONS.values())
    return (
        "/* What the sensors report at the sampling instant, and the commands in force there. Units as the names say; angles\n"
        "   in (-pi, pi]; a command that the scenario does not give is NAN. */\n"
        f"{c_structs({'drybench_measured': MEASURED})}\n"
        "/* What acts delay_updates later. Duty 1: the upper switch is on for the whole tick. gates_on 0: all six switches\n"
        "   are off, diodes go on conducting. gate_setting -1: as the scenario says. The rest is for the recording: what was\n"
        "   asked for, what bound it (below), own signals. */\n"
        f"#define DRYBENCH_SIGNALS {EXTRA_SIGNALS}\n"
        f"{c_structs({'drybench_command': COMMAND})}\nenum {{ {limits} }};\n\n{SETUP}\n{CONTRACT}{functions}\n"
    )


def layout_number():
    """Number of this layout: a hash over all structs and functions of the header, comments aside (63 bits, never 0)."""
    bare = " ".join(re.sub(r"/\*.*?\*/", "", _declarations(), flags=re.DOTALL).split())
    return int.from_bytes(hashlib.sha256(bare.encode()).digest()[:8], "big") >> 1 | 1


def header_text():
    """Text of drybench_controller.h; C99, and C++."""
    return f"""{MARK}
#ifndef DRYBENCH_CONTROLLER_H
#define DRYBENCH_CONTROLLER_H

#include <stddef.h>
#include <stdint.h>
#include <string.h>

#ifdef __cplusplus
extern "C" {{
#endif

#if defined(_WIN32)
#define DRYBENCH_EXPORT __declspec(dllexport)
#else
#define DRYBENCH_EXPORT __attribute__((visibility("default")))
#endif

#define DRYBENCH_LAYOUT UINT64_C(0x{layout_number():016x})

{_declarations()}
{HELP}
{c_checks({"drybench_measured": MEASURED, "drybench_command": COMMAND})}

#ifdef __cplusplus
}}
#endif
#endif
"""
