"""Technique charts: which settings a site's presets stand for. Each site owns its own."""

from schemas.techniques.load import load_site_chart, load_technique_chart
from schemas.techniques.model import PresetTechnique, SizeRule, TechniqueChart, TechniqueSetting

__all__ = [
    "PresetTechnique",
    "SizeRule",
    "TechniqueChart",
    "TechniqueSetting",
    "load_site_chart",
    "load_technique_chart",
]
