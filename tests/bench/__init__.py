"""Tunnels made by finite elements, to judge forecasts with: nothing here shares code or formulas with the library."""
