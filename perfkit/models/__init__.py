"""From measured passes to FPS of configurations never measured, with honest ranges."""

from perfkit.models.draws import draw_fps
from perfkit.models.fit import Fit
from perfkit.models.fitting import fit
from perfkit.models.rates import attach_rates

__all__ = ["Fit", "attach_rates", "draw_fps", "fit"]
