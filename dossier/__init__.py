"""dossier: how much room an instrumental leaves, and the drums that fit it.

One direction: Beat -> Audio -> Measurements -> Findings -> View -> HTML.  `dossier.pipeline` joins the stages.
"""

__version__ = "0.1.0"
