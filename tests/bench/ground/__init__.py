"""The physics and the site of the bench tunnels: mesh, ground, lining, solver, drives, readings, files."""
