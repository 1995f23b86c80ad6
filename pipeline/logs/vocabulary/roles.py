"""What each column is: by unit.toml, else by the words of its header."""

from __future__ import annotations

import re
from dataclasses import dataclass

from pipeline.unit import ROLES, ChannelRule, Unit

TEMPERATURE_ROLES = frozenset(r for r, unit in ROLES.items() if unit == "°C")

_IN = r"(in|inlet|intake|entering|on|entrada|ein|einlass|eintritt|eingang|zuluft|entrée|entree|aspirado|before|ingresso|entrata|inlaat|intrede|wlot\w*|wejście)"
_OUT = r"(out|outlet|exhaust|leaving|off|salida|aus|auslass|austritt|ausgang|abluft|sortie|after|uscita|saída|uitlaat|uittrede|wylot\w*|wyjście)"
_CONDENSER = (
    r"(cond|condenser|condensador|kondensator|verflüssiger|condenseur|cooling water|kühlwasser|kühlluft|agua de refrigeración"
    r"|eau de refroidissement|condensatore|condensor|skraplacz\w*)"
)
_WATER = r"(water|agua|wasser|eau|h2o|feedwater|feed water|supplywater|tapwater|acqua|água|wod[aęy])"

# Trade words in English, Spanish, German, French, and the commonest in Italian, Portuguese, Dutch and Polish. Common practice, no source. The first that fits decides.
_WORDS = (
    # role, confidence, words
    r"suction_pressure 0.9 (suction|low( side)?|lp|baja|aspiración|succión|niederdruck|saug\w*|basse|bp).*(press\w*|presi[oó]n|druck|pression)",
    r"suction_pressure 0.9 niederdruck|saugdruck|low side press\w*",
    r"discharge_pressure 0.9 (discharge|head|high( side)?|hp|alta|descarga|haute|refoulement).*(press\w*|presi[oó]n|druck|pression)",
    r"discharge_pressure 0.9 hochdruck|verflüssigungsdruck|head press\w*",
    r"power_factor 0.95 pf|power factor|cos ?(phi|φ)|factor de potencia|leistungsfaktor|facteur de puissance",
    r"energy 0.9 energy|energía|energia|energie|énergie|kwh|wh|zählerstand",
    rf"condenser_out 0.95 {_CONDENSER}.*\b{_OUT}\b|\b{_OUT}\b.*{_CONDENSER}",
    rf"condenser_in 0.95 {_CONDENSER}.*\b{_IN}\b|\b{_IN}\b.*{_CONDENSER}",
    r"condenser_out 0.8 (exhaust|discharge|leaving|hot) air|abluft|aire de salida|air sortie|aire expulsado",
    r"condenser_in 0.8 (intake|inlet|entering|return) air|air (in|on|intake|inlet)|zuluft|ansaugluft|aire de entrada|air entrée",
    r"suction 0.95 suction|suct|aspiración|aspiracion|succión|succion|saug|saugleitung|saugrohr|sauggas|ansaugleitung|aspiration|retorno|return line|aspirazione|sucção|zuigleiding|zuiggas|zuigzijde|ssani\w+|ssawny",
    r"discharge 0.95 discharge|disch|hot ?gas|descarga|gas caliente|druckleitung|druckrohr|druckgas|hei(ß|ss)gas|refoulement|gaz chaud|mandata|gas caldo|persleiding|persgas|heetgas|perszijde|tłoczeni\w+|tłoczny|gorący gaz|gás quente",
    r"liquid 0.9 liquid|líquido|liquido|flüssig\w*|liquide|vloeistof\w*|cieczy?|cieczow\w*",
    r"bin 0.9 bin|ice (store|storage|bin)|hopper|eisbeh\w+|eisvorrat\w*|eisspeicher|vorratsbeh\w+|vorrat|cuba de hielo|depósito de hielo|almacén|bac à glace|réserve",
    r"evaporator 0.95 evap|evaporator|evaporador|verdampfer|[eé]vaporateur|evap\w*|freeze plate|ice plate|cold plate|eisplatte|placa|evaporatore|verdamper|parownik\w*|piastra|ijsplaat",
    r"reservoir 0.9 reservoir|sump|trough|water tank|circulating|curtain|depósito|deposito|cubeta|wanne|becken|umlaufwasser|réservoir|bac",
    rf"water_in 0.95 {_WATER}.*\b({_IN}|supply|feed|mains|inflow|suministro|red|zulauf|zufuhr|arrivée|alimentation)\b",
    rf"water_in 0.95 (supply|feed|mains|inlet|incoming|tap|suministro|entrada|zulauf|zufuhr|arrivée|alimentation|frisch|leitungs|speise)\W*(de |d'|del )?{_WATER}",
    r"water_in 0.95 zulaufwasser|frischwasser|leitungswasser|speisewasser|wasserzulauf|wasserzufuhr|agua de red",
    r"ambient 0.9 ambient|room|ambiente|sala|raum|raumluft|umgebung\w*|ambiante?|pièce|kitchen air|air temp\w*|surroundings|habitación|local|stanza|ruimte|omgeving\w*|otoczeni\w+|pomieszczeni\w+",
    rf"condenser_in 0.6 {_CONDENSER}.*(air|luft|aire)",
    r"current_compressor 0.9 (compressor|compresor|kompressor|verdichter|compresseur|compressore|sprężark\w+|\bcomp\b|\bcmp\b)",
    r"current_grid 0.9 cutt(er|ing)( grid)?|grid cutter|rejilla( de corte)?|cortador\w*|schneidgitter|grille de découpe",
    r"current_dump 0.9 (dump|purge|drain)( valve| solenoid)?|(válvula de )?(vaciado|purga)|ablassventil|spülventil|vidange",
    r"current_fan 0.9 fans?|ventilador|lüfter|ventilator|ventilateur",
    r"current_pump 0.9 pump|bomba|\w*pumpe|pompe",
    r"power 0.9 power|potencia|leistung|puissance|potenza|potência|vermogen|moc|watts?|kw|load",
    r"voltage 0.95 volts?|voltage|tensión|tension|spannung|netzspannung|tensione|tensão|spanning|napięcie",
    r"current 0.9 current|amps?|amperes?|ampere|amperage|corriente|intensidad|strom|stromaufnahme|courant|intensité|corrente|assorbimento|stroom|prąd|clamp|pinza|zange|pince|total|whole unit|unit|machine|i rms|irms",
    rf"water_in 0.6 {_WATER}",
    r"ambient 0.5 air|aire|luft",
)
_PARTS = frozenset({"current_fan", "current_pump", "current_dump", "current_grid"})
_DRAWN = r"amps?|ampere|current|corriente|intensidad|strom|courant|clamp|pinza|zange|pince"
_COMPILED = tuple(
    (role, re.compile(rf"(?<![^\W\d_])(?:{words})(?![^\W\d_])"), float(confidence))
    for role, confidence, words in (row.split(" ", 2) for row in _WORDS)
)
_GERMAN_PARTS = re.compile(
    r"(verdampfer|sauggas|saug|druckgas|heißgas|kühlwasser|raum|umgebungs|zulauf|wasser|strom|verdichter|kompressor)(?=temp|fühler|leitung|strom|luft|wasser|aufnahme|eintritt|austritt)"
)


@dataclass(frozen=True, kw_only=True)
class RoleGuess:
    """What a column is taken for, by what, and how sure that is (0…1)."""

    role: str
    by: str  # "unit.toml", "header", "behaviour" or "" where nothing is known yet
    confidence: float


def rule_for(unit: Unit, label: str, file: str) -> ChannelRule | None:
    """What unit.toml says of a column: "file.csv/header" goes before "header"."""
    short = file.rpartition("/")[2]
    for key in (f"{file}/{label}", f"{short}/{label}", label):
        rule = unit.channels.get(key)
        if rule is None:
            folded = key.casefold().strip()
            rule = next((r for k, r in unit.channels.items() if k.casefold().strip() == folded), None)
        if rule is not None:
            return ChannelRule(role=rule) if isinstance(rule, str) else rule
    return None


def role_by_header(label: str, house_unit: str | None) -> RoleGuess:
    """The role that the words of a header name. `house_unit` ("°C", "A", …; None: unknown) rules out what can't be.

    A header that says nothing gives role "other" with confidence 0.
    """
    text = re.sub(r"[\[(][^\])]*[\])]", " ", label)
    text = re.sub(r"(?<=[a-zäöüß])(?=[A-Z])", " ", text)
    text = re.sub(r"[_/.,;:\-]+", " ", text).lower()
    text = re.sub(r"s?(temperatur|fühler|sensor)(?![^\W\d_])", " ", _GERMAN_PARTS.sub(r"\1 ", text))
    text = re.sub(r"\s+", " ", text).strip()
    for role, pattern, confidence in _COMPILED:
        if pattern.search(text) and _fits(role, house_unit):
            if (
                role == "current_compressor"
                and house_unit is None
                and re.search(r"temp|dome|shell|head|sump|°", text)
            ):
                continue
            if role in _PARTS and house_unit is None and not re.search(_DRAWN, text):
                continue  # a pump may be logged by its state as well
            return RoleGuess(role=role, by="header", confidence=confidence)
    if house_unit in ("A", "W", "V", "kWh"):
        role = {"A": "current", "W": "power", "V": "voltage", "kWh": "energy"}[house_unit]
        return RoleGuess(role=role, by="header", confidence=0.7)
    return RoleGuess(role="other", by="", confidence=0.0)


_NAMED_BY_FILE = frozenset(
    {"evaporator", "suction", "discharge", "liquid", "condenser_in", "condenser_out", "current_compressor"}
)


def role_by_file_name(name: str, house_unit: str | None) -> RoleGuess:
    """The role that the name of a file with a single nameless column tells ("evaporator.csv"). Words that may belong to
    the venue or the machine ("bar", "room", "ice machine") say nothing."""
    stem = re.sub(r"(\.[a-z]{2,4})+$", "", name.rpartition("/")[2], flags=re.IGNORECASE).rpartition("__")[2]
    guess = role_by_header(stem, house_unit)
    if guess.role == "current" and re.search(
        r"amp|current|clamp|strom|corriente|courant", stem, re.IGNORECASE
    ):
        return RoleGuess(role="current", by="file name", confidence=0.75)
    if guess.role in _NAMED_BY_FILE and guess.confidence >= 0.9:
        return RoleGuess(role=guess.role, by="file name", confidence=0.75)
    return RoleGuess(role="other", by="", confidence=0.0)


def _fits(role: str, house_unit: str | None) -> bool:
    if house_unit is None:
        return True
    if house_unit == "ohm":
        return role in TEMPERATURE_ROLES
    if house_unit == "":
        return role in ("power_factor", "other")
    return ROLES[role] == house_unit
