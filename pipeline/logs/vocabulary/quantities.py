"""What sort of quantity the words of a header name, in the languages of Europe, Turkish, Chinese, Japanese and Korean.

Lower than roles: "Fridge temp" is a temperature, whatever of. A quantity that the machine's story has no use for (humidity, sun,
sound, a counter) is "other", so that it is never taken for a probe or a clamp.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Literal

Quantity = Literal["temperature", "current", "power", "voltage", "energy", "pressure", "other"]

# Trade and school words. Common practice, no source. The first that fits decides.
_OTHER = (
    r"humid\w*|hum|rh|r h|moist\w*|humedad|feuchte?|feuchtigkeit|luftfeuchte\w*|humidité|umidità|umidade|vochtigheid|luftfuktighet"
    r"|fuktighet|luftfugtighed|fugt\w*|kosteus|wilgotność|vlhkost|nem|влажность|湿度|습도"
    r"|dew ?point|taupunkt|punto de rocío|point de rosée"
    r"|batt?|battery|batteries|bater[ií]a|batterie|batteria|vbatt?|akku\w*|pile|accu|rssi|signal( strength)?|lqi|snr"
    r"|event|status|state|marker|alarm\w*|door|flag|error code|code|mode|quality"
    r"|lux|illuminance|light|licht|luz|luce|beleuchtung\w*|sun|solar\w*|irradiance|radiation|w m2|w m²|sonne\w*|globalstrahlung|uv|uv index"
    r"|co2|co₂|tvoc|voc|ppm|ppb|pm ?2 ?5|pm ?10|aqi"
    r"|flow|flow rate|durchfluss|caudal|débit|debit|portata|l min|l s|l h|m3 h|m³ h"
    r"|limits?|grenzwert\w*|límites?|limites?|set ?points?|sollwert\w*|consignas?|consignes?|threshold|schwelle\w*|setting"
    r"|wind\w*|rain\w*|regen|lluvia|pluie|niederschlag|baro\w*|barometric pressure|air pressure|luftdruck|atmospheric pressure"
    r"|sound\w*|noise|amplitude|db|dba|lärm|ruido|bruit|vibration\w*|accel\w*|gyro\w*|mag ?[xyz]|tilt"
    r"|freq|frequency|hz|frequenz|frecuencia|fréquence|rpm|speed|drehzahl|velocidad|vitesse"
    r"|level|füllstand|nivel|niveau|weight|gewicht|peso|poids|mass|distance|conductivity|tds|turbidity"
    r"|record( number| no| nr| id)?|rec( no| nr)?|sample( number| no| nr)|count(er)?s?|adc|raw|ticks?|index|seq(uence)?|row|id|uptime|heap|checksum|crc"
    r"|reactive( power)?|kvar|var|apparent( power)?|kva|va|blindleistung|scheinleistung|cost|price|kosten|preis|latitude|longitude|altitude"
)
_WORDS = (
    # quantity, words
    r"temperature temp\d{0,2}|tmp|t ?\d{1,2}|temperatur\w*|temperature\w*|temperatura\w*|températures?|temperatuur|temperatură|teploty?|teplota"
    r"|hőmérséklet|hőm|sıcaklık|isı|lämpötila|lämpö|hitastig|температур\w*|темп|θερμοκρασία|温度|溫度|气温|氣溫|온도"
    r"|\w+temperatur|\w+temperatuur|celsius|fahrenheit|kelvin|deg ?[cf]|thermo\w*|therm|rtd|ntc|pt ?1000?|ds18b20",
    f"other {_OTHER}",
    r"energy energy|energ[ií]a|energie|énergie|kwh|wh|zählerstand|energi|energia|energię|энергия|enerji|电能|電力量",
    r"power power|active power|potencia|potenza|potência|leistung|wirkleistung|puissance|vermogen|effekt|teho|moc|výkon|мощность|güç|功率|電力"
    r"|watts?|kw|kilowatts?|milliwatts?",
    r"voltage volts?|voltage|tensión|tensione|tensão|tension|spannung|netzspannung|spanning|spänning|spænding|jännite|napięcie|napětí|напряжение"
    r"|gerilim|电压|電圧|mains v|u rms|urms",
    r"current current|clamp|pinza|zange|stromzange|pince|amps?|amperes?|amperage|milliamps?|corriente|intensidad|corrente|strom|stromaufnahme|\w*strom|courant|intensité|stroom"
    r"|ström|strøm|virta|prąd|proud|áram|curent|ток|сила тока|akım|电流|電流|전류|i rms|irms|a rms|ampere",
    r"pressure press(ure)?|presi[oó]n|pressione|pressão|druck|pression|druk|tryck|tryk|paine|ciśnienie|tlak|давление|basınç|压力|圧力",
    r"temperature probes?|fühler|sondas?|sondes?|thermoelement|termopar|датчик",  # clamps have a word of their own
)
_COMPILED: tuple[tuple[str, re.Pattern[str]], ...] = tuple(
    (quantity, re.compile(rf"(?<![^\W_])(?:{words})(?![^\W_])"))
    for quantity, words in (row.split(" ", 1) for row in _WORDS)
)
_WIDE = {
    word: quantity
    for words, quantity in (
        ("温度 溫度 온도", "temperature"),
        ("湿度 습도", "other"),
        ("电流 電流 전류", "current"),
        ("电压 電圧", "voltage"),
        ("功率", "power"),
    )
    for word in words.split()
}
"""Words of scripts that set no blanks between them."""


HOUSE_UNITS = {
    "temperature": "°C",
    "current": "A",
    "power": "W",
    "voltage": "V",
    "energy": "kWh",
    "pressure": "kPa",
    "other": "",
}
"""Quantity -> the house unit of its readings."""


_LOOP = re.compile(
    r"(?<![\w.])([0-4] ?(?:-|–|to|\.\.\.?|…) ?20 ?mA|[01] ?(?:-|–|to|\.\.\.?|…) ?(?:5|10) ?V)(?!\w)",
    re.IGNORECASE,
)


def names_a_loop(header: str) -> bool:
    """Whether a header says that a transmitter's signal stands under it, not what it stands for: "Evap 4-20 mA"."""
    return _LOOP.search(header) is not None


@lru_cache(maxsize=2048)
def quantity_of_header(header: str) -> Quantity | None:
    """What the words of a header say is measured, or None where they say nothing. Brackets count: "Ch 2 [Temp]"."""
    if names_a_loop(header):
        return "other"
    for word, quantity in _WIDE.items():
        if word in header:
            return quantity
    text = re.sub(r"(?<=[a-zà-ÿ])(?=[A-Z][a-z])", " ", header[:200])
    text = re.sub(r"[\s_/.,;:\-\[\]()*|]+", " ", text).lower().strip()
    return next((q for q, pattern in _COMPILED if pattern.search(text)), None)


_TIMES = re.compile(
    r"(?<![^\W_])(время|дата|час|czas|godzina|čas|hodina|idő|dátum|ώρα|ημερομηνία|χρόνος|zaman|tarih|päivä|kello|aika|dato|fecha y hora|día"
    r"|día|año|horodatage|début|durée|messgröße|gerät|zählerstand|лог|датчик|датчик \d)(?![^\W_])"
)
_WIDE_TIMES = ("日時", "時刻", "时间", "時間", "日期", "시간", "날짜", "日付")


def names_a_quantity_or_time(header: str) -> bool:
    """Whether a label holds a word for what is measured, or for when."""
    lowered = header.lower()
    return (
        quantity_of_header(header) is not None
        or _TIMES.search(lowered) is not None
        or any(w in header for w in _WIDE_TIMES)
    )


_NO_NAME = re.compile(
    r"column \d+|(temp\w*|value|reading|measurement|data|wert|messwert|valor|medida|valeur|mesure|channel|ch|input|probe|sensor)"
    r"\W*\d{0,2}\W*([°º]?\s?[cfk]|a)?\W*",
    re.IGNORECASE,
)


def says_nothing(header: str) -> bool:
    """Whether a label says no more than that readings stand under it: "column 2", "Temp 1", "Value"."""
    return _NO_NAME.fullmatch(header) is not None
