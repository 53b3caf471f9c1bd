"""The same job full screen. Holds no rule, no verdict and no sentence of its own: it asks the
workflow, as the commands do, and shows what `render` says."""
