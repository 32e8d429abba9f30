"""The stages that `dossier.pipeline` joins: analyse (audio to measurements), propose (measurements to findings),
produce (findings to sound and page layers), assemble (everything to the data file).

Each stage calls the pure rooms (`measure`, `lay`, `treat`, `decide`) and `audio`; none of those knows a stage.
"""
