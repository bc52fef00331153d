"""Many mutants in one compiled program: every broken expression stands beside the sound one, a number chooses at run time.

Compiling the kernels takes far longer than the tests that catch a mutant, so all of them are compiled at once (mutant schemata:
R. H. Untch, A. J. Offutt, M. J. Harrold, ISSTA 1993, from memory). DRYBENCH_MUTANT holds the number; 0 is the sound program,
on which all tests must pass. Constants of a module and functions that are not compiled cannot be switched so.
"""

import ast

MODULE = "simcore/mutant_switch.py"
MODULE_TEXT = '''\
"""Which mutant acts: a number that compiled code loads, by the name of a symbol so that the code can be cached."""

import ctypes
import os

import llvmlite.binding
from llvmlite import ir
from numba import types
from numba.extending import intrinsic

_NUMBER = ctypes.c_int64(int(os.environ.get("DRYBENCH_MUTANT", "0")))
llvmlite.binding.add_symbol("drybench_mutant", ctypes.addressof(_NUMBER))


@intrinsic
def active_mutant(typing):
    """() => the number."""

    def generate(context, builder, signature, arguments):
        known = builder.module.globals
        cell = known.get("drybench_mutant") or ir.GlobalVariable(builder.module, ir.IntType(64), "drybench_mutant")
        return builder.load(cell)

    return types.int64(), generate
'''
IMPORT = "from simcore.mutant_switch import active_mutant"


def with_switches(source, numbered):
    """(text of a kernel source, {number: mutant of it}) => text in which they can be switched on, numbers of those it holds."""
    tree = ast.parse(source)
    if "simcore.kernel" not in {node.module for node in tree.body if isinstance(node, ast.ImportFrom)}:
        return source, set()
    compiled = {id(node) for function in tree.body if _is_kernel(function) for node in ast.walk(function)}
    broken = {}
    for number, mutant in numbered.items():
        sound, other = _difference(tree, ast.parse(mutant.applied(source)))
        if id(sound) in compiled:
            broken.setdefault(id(sound), []).append((number, other))
    if not broken:
        return source, set()
    tree = _Switches(broken).visit(tree)
    last = max(i for i, node in enumerate(tree.body) if isinstance(node, (ast.Import, ast.ImportFrom)))
    tree.body[last + 1 : last + 1] = ast.parse(IMPORT).body
    return ast.unparse(ast.fix_missing_locations(tree)) + "\n", {number for pairs in broken.values() for number, _ in pairs}


def _is_kernel(node):
    names = {decorator.id for decorator in getattr(node, "decorator_list", ()) if isinstance(decorator, ast.Name)}
    return isinstance(node, ast.FunctionDef) and not names.isdisjoint({"kernel", "inlined"})


def _children(node):
    for name, value in ast.iter_fields(node):
        yield from ((name, part) for part in value) if isinstance(value, list) else [(name, value)]


def _difference(sound, other):
    """(two syntax trees that differ in one place) => the smallest expression or statement that holds it, of both."""
    if type(sound) is not type(other):
        return sound, other
    pairs = list(zip(_children(sound), _children(other), strict=False))
    apart = [(name, a, b) for (name, a), (_, b) in pairs if _told(a) != _told(b)]
    if len(apart) != 1 or len(pairs) != len(list(_children(other))):
        return sound, other
    name, a, b = apart[0]
    # A call's function and a constant index into a tuple cannot be chosen at run time.
    if isinstance(a, ast.expr | ast.stmt) and isinstance(b, ast.expr | ast.stmt) and name not in ("func", "slice"):
        if not isinstance(getattr(a, "ctx", None), ast.Store):
            return _difference(a, b)
    return sound, other


def _told(node):
    return ast.dump(node) if isinstance(node, ast.AST) else node


class _Switches(ast.NodeTransformer):
    """Puts every broken node beside its sound one, inner ones first."""

    def __init__(self, broken):
        self.broken = broken

    def visit(self, node):
        pairs = self.broken.get(id(node), ())
        node = self.generic_visit(node)
        for number, other in pairs:
            chosen = ast.parse(f"active_mutant() == {number}", mode="eval").body
            if isinstance(node, ast.expr):
                node = ast.IfExp(chosen, other, node)
            else:
                node = ast.If(chosen, [other], [node])
        return node
