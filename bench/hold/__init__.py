"""How well a speed is held, beside a bound and simple controllers on the same plant."""
