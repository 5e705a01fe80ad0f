"""Statistics of switch units that know nothing of cars: contrasts, orders of chance, power."""
