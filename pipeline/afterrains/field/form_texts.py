"""What the field form says, in English and French: one place, so that it can be translated."""

from __future__ import annotations

__all__ = ["CHOICES", "LANGUAGES", "TEXTS"]

LANGUAGES = ("English (en)", "Français (fr)")

TEXTS: dict[str, tuple[str, str]] = {
    "consent": (
        "Have the people who use this land, or those who speak for them, been told what the visit "
        "is for and that its position and pictures of plants are kept, and do they agree?",
        "Les personnes qui utilisent cette terre, ou leurs représentants, savent-elles à quoi sert "
        "la visite et que sa position et des photos de plantes sont conservées, et sont-elles "
        "d'accord ?",
    ),
    "consent.hint": (
        "Without a clear yes there is no visit.",
        "Sans un oui clair, pas de visite.",
    ),
    "no_consent": (
        "No visit without consent. Thank them, leave, and send this form, so that the place counts "
        "as not visited.",
        "Pas de visite sans accord. Remerciez, partez, et envoyez ce formulaire, pour que le lieu "
        "soit compté comme non visité.",
    ),
    "visit_id": ("Which visit is this?", "Quelle visite est-ce ?"),
    "surveyed_on": ("Day of the visit", "Jour de la visite"),
    "surveyed_on.fault": (
        "The day cannot lie ahead.",
        "Le jour ne peut pas être dans le futur.",
    ),
    "visit": ("The visit", "La visite"),
    "safety": (
        "Before you go on: do you keep to local rules, and are your permits with you? Does someone "
        "know where you are and when you return? Water, shade, shoes? Turn back at once for heat, "
        "storm, wildlife, insecurity or if anyone asks you to leave; no place is worth a risk. "
        "Then answer that the place was not reached.",
        "Avant de continuer : respectez-vous les règles locales, avez-vous vos autorisations ? "
        "Quelqu'un sait-il où vous êtes et quand vous rentrez ? Eau, ombre, chaussures ? Faites "
        "demi-tour tout de suite en cas de chaleur, d'orage, d'animaux sauvages, d'insécurité ou "
        "si on vous demande de partir ; aucun lieu ne vaut un risque. Répondez alors que le lieu "
        "n'a pas été atteint.",
    ),
    "planned_place": (
        "Planned place: latitude ${planned_lat}, longitude ${planned_lon}. The plot is laid there, "
        "not where it looks best.",
        "Lieu prévu : latitude ${planned_lat}, longitude ${planned_lon}. La placette est posée là, "
        "et non là où c'est le plus beau.",
    ),
    "reached": ("Was the place reached?", "Le lieu a-t-il été atteint ?"),
    "not_reached_why": ("Why not?", "Pourquoi pas ?"),
    "place": ("At the place", "Sur place"),
    "gps": ("Position of the plot's centre", "Position du centre de la placette"),
    "gps.hint": (
        "Stand at the centre and wait until the accuracy is 10 m or better.",
        "Placez-vous au centre et attendez une précision de 10 m ou mieux.",
    ),
    "woody_cover_percent": (
        "Of the ground within {radius} m, how many percent lie under the crowns of trees and "
        "shrubs?",
        "Dans un rayon de {radius} m, quel pourcentage du sol est sous les couronnes d'arbres et "
        "d'arbustes ?",
    ),
    "woody_cover_percent.hint": (
        "Seen from above; leafless crowns count, grass does not. 0 if there is none.",
        "Vu d'en haut ; les couronnes sans feuilles comptent, l'herbe non. 0 s'il n'y en a pas.",
    ),
    "woody_cover_percent.fault": ("From 0 to 100.", "De 0 à 100."),
    "seen": (
        "Woody plants here, against some years ago, before any sowing?",
        "Plantes ligneuses ici, par rapport à il y a quelques années, avant tout semis ?",
    ),
    "seen.hint": (
        "More: young trees or shrubs that were not there. Less: stumps, dead wood, ash. Write what "
        "stands here, not what you expect; unsure is an answer.",
        "Plus : de jeunes arbres ou arbustes qui n'y étaient pas. Moins : souches, bois mort, "
        "cendres. Notez ce qui est là, non ce que vous attendez ; « pas sûr » est une réponse.",
    ),
    "signs": ("What signs do you see?", "Quels signes voyez-vous ?"),
    "signs.fault": ("None goes with nothing else.", "« Aucun » ne va avec rien d'autre."),
    "seedlings": (
        "Seedlings and saplings within {radius} m, one species at a time",
        "Plantules et jeunes plants dans un rayon de {radius} m, une espèce à la fois",
    ),
    "species": ("Species", "Espèce"),
    "species_other": ("Which other species?", "Quelle autre espèce ?"),
    "live": ("Alive", "Vivants"),
    "dead": ("Dead but still standing", "Morts mais encore debout"),
    "live.fault": ("A whole number, 0 or more.", "Un nombre entier, 0 ou plus."),
    "photo": ("Picture of the plot, if you like", "Photo de la placette, si vous voulez"),
    "photo.hint": (
        "Plants and ground only, no people.",
        "Seulement des plantes et le sol, personne.",
    ),
    "observer": ("Your observer code", "Votre code d'observateur"),
    "observer.hint": ("A code, not your name.", "Un code, pas votre nom."),
    "observer.fault": (
        "Up to 12 letters and digits.",
        "12 lettres et chiffres au plus.",
    ),
    "remark": ("Anything else?", "Autre chose ?"),
    "remark.hint": ("No names of people.", "Aucun nom de personne."),
}

CHOICES: dict[str, tuple[tuple[str, str, str], ...]] = {
    "yes_no": (("yes", "Yes", "Oui"), ("no", "No", "Non")),
    "not_reached_why": (
        ("unsafe", "Not safe", "Pas sûr"),
        ("no_access", "No way or no permission", "Pas de passage ou pas d'autorisation"),
        ("other", "Another reason", "Une autre raison"),
    ),
    "seen": (
        ("unchanged", "About the same", "À peu près pareil"),
        ("more", "More", "Plus"),
        ("less", "Less", "Moins"),
        ("unsure", "Unsure", "Pas sûr"),
    ),
    "signs": (
        ("grazing", "Grazing or browsing", "Pâturage ou broutage"),
        ("fire", "Fire", "Feu"),
        ("cutting", "Cutting", "Coupe"),
        ("digging", "Digging or ploughing", "Creusement ou labour"),
        ("none", "None", "Aucun"),
    ),
}
