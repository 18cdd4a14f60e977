"""Laws of gas, flow, fill, cure and energy, each with its published check."""
