"""Comparisons of surveys, each with its uncertainty: alignment on a part, recheck, gap, verdict."""
