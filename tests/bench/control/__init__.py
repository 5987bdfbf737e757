"""Control compared at equal shortfall with the best that perfect foresight could do, on plants that are not ours."""
