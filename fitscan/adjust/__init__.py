"""The adjustment: parameter groups, residual blocks, solver, covariance and tests.

Knows least squares and nothing else: what a parameter is (a tag, a lens, a benchmark's height)
is left to whoever builds the problem. See `problem` for the contract and `solve` for the solver.
"""
