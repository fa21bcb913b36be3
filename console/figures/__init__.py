"""Computations with units and sources; they read nothing, write nothing and know no site."""
