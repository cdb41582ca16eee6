"""The cautions: shown wherever the tool sends a person to a machine. The one place for them."""

CAUTIONS: tuple[str, ...] = (
    "Nobody stands or walks under a raised attachment, or within its reach while it can move.",
    "The machine is stopped and its hydraulics are locked before anyone approaches the edge.",
    "One agreed signaller speaks to the operator; if in doubt, everything stops.",
    "Look up before every pose: keep the attachment and the pole well clear of overhead lines.",
    "The maker's manual comes before anything this tool says.",
    "Local codes and site rules come before anything this tool says.",
    "Where the law asks for a licensed surveyor, the licensed surveyor decides.",
)
