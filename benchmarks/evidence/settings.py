"""The settings of the benchmark; every one differs from the plain case in what its name says."""

from simulate import Setting

PLAIN = Setting("plain: 10 controls, 8 seasons before and after")

SETTINGS = (
    PLAIN,
    PLAIN.but(name="3 controls", controls=3),
    PLAIN.but(name="5 controls", controls=5),
    PLAIN.but(name="20 controls", controls=20),
    PLAIN.but(name="60 controls", controls=60),
    PLAIN.but(name="2 seasons before", before=2),
    PLAIN.but(name="4 seasons before", before=4),
    PLAIN.but(name="16 seasons before", before=16),
    PLAIN.but(name="4 seasons before, 5 controls", before=4, controls=5),
    PLAIN.but(name="4 seasons after", after=4),
    PLAIN.but(name="serial correlation 0", correlation=0.0),
    PLAIN.but(name="serial correlation 0.7", correlation=0.7),
    PLAIN.but(name="unequal response to season shocks", sensitivity_sd=0.3),
    PLAIN.but(name="site drift", drift_sd=0.1),
    PLAIN.but(name="noise by clear dates and area", measured=True),
    PLAIN.but(name="the same, precision not told", measured=True, weighted=False),
    PLAIN.but(name="sown sites twice as noisy", sown_noise=2.0),
    PLAIN.but(name="heavy tails (t, 3 df)", tails=3.0),
    PLAIN.but(name="20 % missing cells", missing=0.2),
    PLAIN.but(name="staggered sowing", staggered=True),
    PLAIN.but(name="one cleared control in ten", bad_control="cleared"),
    PLAIN.but(name="one quietly sown control in ten", bad_control="sown"),
    PLAIN.but(name="sown where cover was lowest", chosen="low level"),
    PLAIN.but(name="local shocks shared by neighbours", local="mixed"),
    PLAIN.but(
        name="everything at once",
        controls=20,
        correlation=0.5,
        sensitivity_sd=0.2,
        drift_sd=0.05,
        measured=True,
        sown_noise=1.5,
        missing=0.1,
        staggered=True,
        bad_control="cleared",
    ),
)

UNANSWERABLE = (
    PLAIN.but(name="trends apart before sowing (0.1 a season)", apart=0.1),
    PLAIN.but(name="trends apart before sowing (0.2 a season)", apart=0.2),
    PLAIN.but(name="trends apart before sowing (0.3 a season)", apart=0.3),
    PLAIN.but(name="trends apart before sowing (0.5 a season)", apart=0.5),
    PLAIN.but(name="trends apart (0.2 a season), 4 seasons before", apart=0.2, before=4),
    PLAIN.but(name="trends apart (0.2 a season), 12 seasons before", apart=0.2, before=12),
    PLAIN.but(name="trends apart (0.2 a season), 16 seasons before", apart=0.2, before=16),
    PLAIN.but(name="picked on the newest low season, 4 before", chosen="newest low", before=4),
    PLAIN.but(name="picked on the newest low season, 8 before", chosen="newest low"),
    PLAIN.but(name="controls share a local shock of their own", local="controls"),
)
