"""How the load fades when something is cut: core, processes and pins."""
