"""What can hurt at the bench: shown once a session, in the papers and in the hardware notes."""

CAUTIONS: tuple[str, ...] = (
    "Ignition gives tens of kilovolts on the secondary and hundreds of volts on the primary each "
    "time the points open. People with a pacemaker keep away.",
    "Never run the secondary open: give every spark a gap to jump.",
    "Switch off with the points closed at rest; discharge the condenser; disconnect before "
    "touching.",
    "Clamp the body. Guards on, no loose sleeves, and the drive stopped before hands go in.",
    "Batteries: acid, gas and short circuits. Put a fuse in the feed.",
    "Ventilate: sparks make ozone and light vapour.",
    "Local rules and the judgement of a licensed person come before anything said here.",
)

#: For a paper with room for one line.
SHORT_CAUTION = (
    "Tens of kilovolts, moving parts: keep away with a pacemaker; guards on; stop the drive and "
    "disconnect before hands go in. All cautions: README."
)
