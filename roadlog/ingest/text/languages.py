"""Everyday header words of European languages beside English.

In come nothing; `EVERYDAY_WORDS` adds to the English words of `roadlog.quantities.signals` what
loggers set to German, French, Spanish, Italian, Portuguese, Dutch, Polish, Swedish, Czech or
Romanian may write, and `TIME_WORDS_ABROAD` the words for their clocks. They are dictionary words,
from memory, taken from no logger; a column whose word is missing here is listed as unmatched and
can be named in `[columns]`. Words with accents are listed without them too, since many loggers drop
them.
"""

EVERYDAY_WORDS: dict[str, tuple[str, ...]] = {
    "speed_kmh": (
        "Geschwindigkeit", "Fahrzeuggeschwindigkeit", "vitesse", "vitesse du véhicule",
        "vitesse vehicule", "velocidad", "velocidad del vehículo", "velocidad del vehiculo",
        "velocità", "velocita", "velocità veicolo", "velocidade", "velocidade do veículo",
        "velocidade do veiculo", "snelheid", "voertuigsnelheid", "prędkość", "predkosc",
        "prędkość pojazdu", "hastighet", "fordonshastighet", "rychlost", "rychlost vozidla",
        "viteză", "viteza", "viteza vehiculului",
    ),
    "rpm": (
        "Drehzahl", "Motordrehzahl", "régime moteur", "regime moteur", "régimen del motor",
        "regimen del motor", "revoluciones", "revoluciones del motor", "regime motore",
        "giri motore",
        "rotação do motor", "rotacao do motor", "toerental", "motortoerental", "obroty",
        "obroty silnika", "varvtal", "motorvarvtal", "otáčky", "otacky", "otáčky motoru",
        "otacky motoru", "turație", "turatie", "turație motor", "turatie motor",
    ),
    "maf_g_s": (
        "Luftmasse", "Luftmassenstrom", "débit d'air", "debit d'air", "débit massique d'air",
        "flujo de aire", "flujo de masa de aire", "flusso d'aria", "portata d'aria",
        "massa d'aria", "fluxo de ar", "fluxo de massa de ar", "luchtmassa", "luchtmassastroom",
        "przepływ powietrza", "przeplyw powietrza", "masowy przepływ powietrza", "luftmassa",
        "luftflöde", "luftflode", "průtok vzduchu", "prutok vzduchu", "debit de aer",
    ),
    "map_kpa": (
        "Saugrohrdruck", "Ansaugdruck", "pression d'admission", "pression collecteur",
        "presión de admisión", "presion de admision", "presión del colector",
        "pressione collettore", "pressione di aspirazione", "pressão de admissão",
        "pressao de admissao", "inlaatdruk", "ciśnienie w kolektorze", "cisnienie w kolektorze",
        "insugstryck", "tlak v sání", "tlak v sani", "presiune admisie",
    ),
    "intake_air_temp_c": (
        "Ansauglufttemperatur", "température d'admission", "temperature d'admission",
        "température air admission", "temperatura de admisión", "temperatura de admision",
        "temperatura aria aspirata", "temperatura de admissão", "temperatura de admissao",
        "inlaatluchttemperatuur", "temperatura powietrza dolotowego", "insugsluftens temperatur",
        "teplota nasávaného vzduchu", "teplota nasavaneho vzduchu", "temperatura aer admisie",
    ),
    "coolant_temp_c": (
        "Kühlmitteltemperatur", "Kuehlmitteltemperatur", "Kühlwassertemperatur",
        "température liquide de refroidissement", "temperature liquide de refroidissement",
        "température d'eau", "temperatura del refrigerante", "temperatura refrigerante",
        "temperatura liquido di raffreddamento", "temperatura acqua",
        "temperatura do líquido de arrefecimento", "temperatura do liquido de arrefecimento",
        "koelvloeistoftemperatuur", "temperatura płynu chłodzącego",
        "temperatura plynu chlodzacego", "kylvätsketemperatur", "kylvatsketemperatur",
        "teplota chladicí kapaliny", "teplota chladici kapaliny", "temperatura lichid de răcire",
        "temperatura lichid de racire",
    ),
    "ambient_temp_c": (
        "Außentemperatur", "Aussentemperatur", "Umgebungstemperatur", "température extérieure",
        "temperature exterieure", "temperatura exterior", "temperatura ambiente",
        "temperatura esterna", "buitentemperatuur", "temperatura zewnętrzna",
        "temperatura zewnetrzna", "utetemperatur", "venkovní teplota", "venkovni teplota",
        "temperatura exterioară", "temperatura exterioara",
    ),
    "baro_kpa": (
        "Luftdruck", "Umgebungsdruck", "pression atmosphérique", "pression atmospherique",
        "presión atmosférica", "presion atmosferica", "pressione atmosferica",
        "pressão atmosférica", "pressao atmosferica", "luchtdruk", "ciśnienie atmosferyczne",
        "cisnienie atmosferyczne", "lufttryck", "atmosférický tlak", "atmosfericky tlak",
        "presiune atmosferică", "presiune atmosferica",
    ),
    "throttle_pct": (
        "Drosselklappe", "Drosselklappenstellung", "papillon", "position papillon",
        "mariposa", "posición del acelerador", "posicion de la mariposa", "farfalla",
        "posizione farfalla", "borboleta", "posição da borboleta", "gasklep", "gasklepstand",
        "przepustnica", "położenie przepustnicy", "gasspjäll", "gasspjall", "škrticí klapka",
        "skrtici klapka", "clapetă accelerație",
    ),
    "engine_load_pct": (
        "Motorlast", "charge moteur", "carga del motor", "carico motore", "carga do motor",
        "motorbelasting", "obciążenie silnika", "obciazenie silnika", "motorbelastning",
        "zatížení motoru", "zatizeni motoru", "sarcină motor", "sarcina motor",
    ),
    "fuel_rate_l_h": (
        "Kraftstoffverbrauch pro Stunde", "Kraftstoffdurchfluss", "débit de carburant",
        "debit de carburant", "caudal de combustible", "portata carburante",
        "vazão de combustível", "vazao de combustivel", "brandstofdebiet", "przepływ paliwa",
        "przeplyw paliwa", "bränsleflöde", "bransleflode", "průtok paliva", "prutok paliva",
        "debit de combustibil",
    ),
    "supply_voltage_v": (
        "Batteriespannung", "Bordspannung", "tension batterie", "tensión de la batería",
        "tension de la bateria", "tensione batteria", "tensão da bateria", "tensao da bateria",
        "accuspanning", "napięcie akumulatora", "napiecie akumulatora", "batterispänning",
        "batterispanning", "napětí baterie", "napeti baterie", "tensiune baterie",
    ),
    "lat_deg": (
        "Breitengrad", "geographische Breite", "latitud", "latitudine", "breedtegraad",
        "szerokość geograficzna", "szerokosc geograficzna", "zeměpisná šířka",
        "zemepisna sirka",
    ),
    "lon_deg": (
        "Längengrad", "Laengengrad", "geographische Länge", "longitud", "longitudine",
        "lengtegraad", "długość geograficzna", "dlugosc geograficzna", "longitud gps",
        "zeměpisná délka", "zemepisna delka",
    ),
    "altitude_m": (
        "Höhe", "Hoehe", "Meereshöhe", "altitud", "altura", "altitudine", "altezza", "hoogte",
        "wysokość", "wysokosc", "höjd", "hojd", "nadmořská výška", "nadmorska vyska",
    ),
}  # fmt: skip

TIME_WORDS_ABROAD: dict[str, tuple[str, ...]] = {
    "time": (
        "Zeit", "Uhrzeit", "Zeitstempel", "heure", "horodatage", "hora", "marca de tiempo", "ora",
        "orario", "tijd", "tijdstip", "czas", "godzina", "tid", "klockslag", "čas", "cas", "timp",
        "temps", "tiempo", "tempo",
    ),
    "elapsed": (
        "verstrichene Zeit", "Sekunden", "temps écoulé", "temps ecoule", "tiempo transcurrido",
        "tempo trascorso", "tempo decorrido", "verstreken tijd",
    ),
    "date": ("Datum", "fecha", "data", "dată"),
}  # fmt: skip
