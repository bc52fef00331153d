"""The stages and the built-in controller compile for CUDA as they are (no GPU needed; numba-cuda must be installed)."""

from unittest import mock

import numpy as np
import pytest


def test_a_whole_period_compiles_to_ptx():
    pytest.importorskip("numba_cuda", reason="numba-cuda is not installed: nothing compiled for CUDA")
    if not hasattr(np, "row_stack"):
        np.row_stack = np.vstack
    import numba.cuda.dispatcher as dispatcher
    from numba import cuda, from_dtype, types
    from numba.cuda.compiler import compile_ptx

    from controllers.contract import COMMAND, MEASURED
    from controllers.foc_kernel import foc_update
    from controllers.foc_records import FOC_PARAMETERS, FOC_STATE
    from simcore.loop.records import BENCH, OK, SCOPE, STATE
    from simcore.loop.stages import after_command, to_sample

    def member(params, states, own, own_state, measured, commands, table, points, scopes, samples, rows, extras, tables, end):
        k = cuda.grid(1)
        if k < params.shape[0]:
            p, s, m, c = params[k], states[k], measured[k], commands[k]
            while s.tick < end and s.status == OK:
                to_sample(p, s, m, table, points, scopes, samples, rows, k)
                foc_update(own[k], own_state[k], m, c, tables)
                after_command(p, s, m, c, table, points, scopes, samples, rows, extras, end, k)

    def array(of, dimensions=1):
        return types.Array(of if isinstance(of, types.Type) else from_dtype(of), dimensions, "C")

    number = types.float64
    records = [array(r) for r in (BENCH, STATE, FOC_PARAMETERS, FOC_STATE, MEASURED, COMMAND)]
    vector, block = array(number), array(number, 2)
    signature = types.void(*records, vector, vector, array(SCOPE), block, block, block, vector, types.int64)
    device = mock.Mock(compute_capability=(9, 0))
    with mock.patch.object(dispatcher, "get_current_device", lambda: device):
        ptx, _ = compile_ptx(member, signature, cc=(9, 0))
    assert ".entry" in ptx
