"""What people call the columns of field files: English, then other languages, by our names.

Lower case, without accents, single spaces for every other mark, as `field_units.plain` makes them.
Words of the trade in German, Dutch, Swedish, Norwegian, Danish, Finnish, French, Spanish and
Italian: common practice, no source. A word that means two things (x, hauteur, data) is left out.
"""

HEADINGS = {
    "point": "shot|shot id|shot no|"
             "point|point id|pointid|point no|point number|point name|pointname|pt|pt id|pt no|id|"
             "name|nr|no|"
             "number|punkt|punkt nr|punktnr|punktnummer|punktname|pkt|pkt nr|pktnr|punkt id|"
             "matricule|punt|puntnummer|punt nr|punktid|piste|pistenumero|no point|num point|"
             "numero|punto|no punto|num punto|nome punto",
    "north": "north|northing|n|nord|norden|hochwert|hoch|nordwert|noord|norr|pohjoinen|norte",
    "east": "east|easting|e|ost|osten|rechtswert|rechts|ostwert|oost|oster|ita|est|este",
    "up": "up|z|elevation|elev|height|h|level|hohe|hoehe|hoogte|hojd|hoyde|hojde|korkeus|altitude|"
          "alt|cota|elevacion|quota",
    "latitude": "latitude|lat|breite|geographische breite|breitengrad|breedtegraad|latitud|"
                "breddgrad|breddegrad|leveysaste|latitudine",
    "longitude": "longitude|lon|long|lng|geographische lange|langengrad|lengtegraad|longitud|"
                 "langdgrad|lengdegrad|laengdegrad|pituusaste|longitudine",
    "ellipsoidal_height": "ellipsoidal height|ellipsoid height|ell height|ellipsoidal h|"
                          "ellipsoidische hohe|ell hohe|ellipsoidhohe|hauteur ellipsoidale|"
                          "altura elipsoidal|ellipsoidhojd|ellipsoidehoyde|ellipsoidische hoogte",
    "description": "description|desc|code|feature|note|notes|remark|remarks|comment|comments|"
                   "libelle|label|designation|etiqueta|etichetta|"
                   "beschreibung|bezeichnung|bemerkung|punktcode|kommentar|omschrijving|opmerking|"
                   "beskrivning|beskrivelse|bemaerkning|kod|kode|kuvaus|koodi|remarque|"
                   "commentaire|descripcion|codigo|descrizione|codice",
    "date": "date|datum|dato|paivamaara|fecha",
    "time": "time|local time|time local|lokalzeit|ortszeit|lokale tijd|lokal tid|lokaltid|"
            "paikallinen aika|heure locale|hora local|ora locale|timestamp|time stamp|"
            "date time|datetime|date and time|utc|zeit|uhrzeit|"
            "zeitstempel|zeitpunkt|datum zeit|datum uhrzeit|tijd|tijdstip|tijdstempel|tid|tidpunkt|"
            "tidspunkt|tidsstampel|tidsstempel|aika|aikaleima|heure|horodatage|date heure|hora|"
            "fecha hora|fecha y hora|ora|data ora",
    "sd_east": "sd east|std east|sigma east|east sd|sd e",
    "sd_north": "sd north|std north|sigma north|north sd|sd n",
    "sd_up": "sd up|std up|sigma up|up sd|sd height|sd z|vrms|v rms|rms vertical|"
             "vertical precision|hohengenauigkeit|precision verticale|precision vertical",
    "sd_horizontal": "sd horizontal|sd horizontal per axis",
    "rms_horizontal": "rms horizontal|hrms|h rms|horizontal precision|lagegenauigkeit|"
                      "precision horizontale|precision horizontal",
    "cov_east_east": "cov east east|var east|cov ee",
    "cov_north_north": "cov north north|var north|cov nn",
    "cov_up_up": "cov up up|var up|cov uu",
    "cov_east_north": "cov east north|cov en|cov north east",
    "cov_east_up": "cov east up|cov eu",
    "cov_north_up": "cov north up|cov nu",
    "stand": "stand|stand id|stand no|parked|parking|parking position|parking place|parkposition|"
             "parkplatz|standort|aufstellung|standplaats|parkeerplaats|parkeerpositie|"
             "uppstallning|uppstallningsplats|parkering|parkeringsplats|oppstilling|"
             "oppstillingsplass|parkeringsplass|opstillingssted|pysakointipaikka|emplacement|"
             "stationnement|emplazamiento|estacionamiento|piazzola|piazzamento|"
             "parcheggio",
    "pose": "pose|pose id|pose no|pose nr|lage|houding|"
            "posture|stellung|stilling|stallning|asento|postura|posa",
    "target": "target|target name|ziel|zielpunkt|doel|doelpunt|mal|malpunkt|maal|kohde|cible|"
              "objetivo|bersaglio|corner|ecke|coin|hoek|esquina|hjorne|horn|kulma",
    "setup": "setup|set up|station|setup id|station id|standpunkt|stationspunkt|opstelling|"
             "estacion|stazione|asema",
    "face": "face|kreislage|cirkellage|kikarlage",
    "direction": "direction|horizontal direction|horizontal circle|hz|horizontal angle|ha|hz angle|"
                 "h angle|hz winkel|hz richtung|richtung|horizontalwinkel|horizontalrichtung|"
                 "horizontale hoek|horisontalvinkel|vaakakulma|angle horizontal|"
                 "angulo horizontal|angolo orizzontale",
    "zenith": "zenith|zenith angle|za|v|va|v angle|vz|vertical angle|vertical circle|zenitwinkel|"
              "zenitdistanz|v winkel|vertikalwinkel|verticale hoek|vertikalvinkel|zenitvinkel|"
              "pystykulma|angle vertical|angle zenithal|angulo vertical|angulo cenital|"
              "angolo verticale|angolo zenitale",
    "distance": "distance|slope distance|sd|sdist|slope dist|schragstrecke|schraegstrecke|"
                "schragdistanz|schuine afstand|lutande langd|lutande avstand|skra avstand|"
                "skralengde|vinoetaisyys|distance inclinee|distancia inclinada|"
                "distanza inclinata",
    "instrument_height": "instrument height|instr height|height of instrument|hi|ih|"
                         "instrumentenhohe|instrumenthoogte|instrumenthojd|instrumenthoyde|"
                         "instrumenthojde|kojekorkeus|hauteur instrument|hauteur de l instrument|"
                         "altura instrumento|altura del instrumento|altezza strumento|"
                         "altezza strumentale",
    "target_height": "target height|prism height|pole height|pole|rod height|antenna height|th|"
                     "rod|antenna pole|reflector height|reflector ht|prism ht|rod ht|pole ht|"
                     "antenna ht|target ht|stab|lotstabhohe|lotstab|antenne hohe|reflektor hohe|"
                     "stokhoogte|jalonhoogte|baakhoogte|antennehoogte|stanghojde|stanghoyde|"
                     "antennhojd|antennehoyde|antennehojde|reflektorhojd|sauvakorkeus|"
                     "prismakorkeus|antennikorkeus|hauteur antenne|hauteur de canne|"
                     "hauteur du prisme|hauteur d antenne|canne|altura antena|altura de antena|"
                     "altura baston|altura de prisma|altezza palina|altezza antenna|palina|"
                     "altezza canna|"
                     "zielhohe|zielpunkthohe|reflektorhohe|prismenhohe|stabhohe|antennenhohe|"
                     "prismahoogte|prismahojd|prismehoyde|prismehojde|stanghojd|tahyskorkeus|"
                     "hauteur prisme|hauteur canne|altura prisma|altura jalon|altezza prisma",
}
"""Words between strokes. A vertical angle is taken for a zenith angle; cells that cannot be one are
told."""
