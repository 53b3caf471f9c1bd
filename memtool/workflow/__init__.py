"""The order of steps; asks the gate, holds no rule itself."""
