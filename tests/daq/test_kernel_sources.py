"""Kernels hold nothing that the compiler looks for in a package that we do not require."""

from __future__ import annotations

import ast
from pathlib import Path

ROOT = Path(__file__).parents[2]
BLAS = {"dot", "vdot", "matmul", "linalg", "outer", "kron", "cov", "corrcoef"}


def kernels() -> list[tuple[str, ast.FunctionDef]]:
    found = []
    for package in ("daq", "control", "simulator"):
        for path in sorted((ROOT / package).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.FunctionDef) and any(
                    isinstance(each, ast.Name) and each.id == "jit" for each in node.decorator_list
                ):
                    found.append((f"{path.name}:{node.name}", node))
    return found


def needs_blas(kernel: ast.FunctionDef) -> bool:
    return any(
        (isinstance(node, ast.BinOp | ast.AugAssign) and isinstance(node.op, ast.MatMult))
        or (isinstance(node, ast.Attribute) and node.attr in BLAS)
        for node in ast.walk(kernel)
    )


def test_no_kernel_needs_the_linear_algebra_of_another_package() -> None:
    # The compiler takes matrix products and solvers from scipy, which requirements.lock lacks.
    assert len(kernels()) > 60
    assert [name for name, kernel in kernels() if needs_blas(kernel)] == []


def test_a_kernel_that_needs_it_is_seen() -> None:
    written = ast.parse("def way(a, b):\n    return a @ b\n").body[0]
    assert isinstance(written, ast.FunctionDef)
    assert needs_blas(written)
