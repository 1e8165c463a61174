"""What people look at: maps, slates, report, exchange files.

========================  ==========================================================
`backdrop`                outline, keep-outs, lanes, readings, probes under every map
`maps`                    one field, a field beside its uncertainty, coverage
`squares`                 the excavation grid with ranks
`charts`, `traces`        variogram, cross-validation, ranks, spacing; lanes as traces
`plan_figure`             lanes, order and dives
`slates`                  what the divers take down
`report`                  the one-file report, with `director` for its summary
`exchange`                NetCDF (CF-1.11) and GIS layers
`style`, `sheet`          looks, and the sheet every map is printed on
`lettering`, `ticks`      words and the numbers along axes, drawn quickly
`labels`, `numbers`       text that keeps clear of text; numbers as people read them
`png`                     dots into a PNG file
========================  ==========================================================

Everything returns values: a matplotlib ``Figure``, HTML text, bytes, a dataset or frames.
Modules are imported by name, so that a command that draws nothing loads no matplotlib.
"""
