"""Frames in, Altair charts out; no reading, no caching, no words beyond axis titles."""

import altair as alt

Drawn = alt.Chart | alt.LayerChart | alt.FacetChart | alt.VConcatChart
