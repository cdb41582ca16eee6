"""Small messy files, all invented, each with what it must give: the numbers, or the complaint.

Every entry: a name, the bytes, what is declared on top of `BASE`, and either the points
(id -> east, north, up in m) with words that the notices must hold, or words of the complaints.
"""

from dataclasses import dataclass, field

BASE = {"unit": "m", "frame": "ground", "pole": "applied", "order": "PNEZD"}
HEADER = {**BASE, "order": None}
PNEZ = {**BASE, "order": "PNEZ"}


@dataclass(frozen=True)
class Messy:
    """One file; `gives` is None if it must be refused."""

    name: str
    data: bytes
    declared: dict
    gives: dict | None
    notices: tuple[str, ...] = ()
    complaints: tuple[str, ...] = field(default=())


def good(name, data, gives, *notices, declared=BASE):
    return Messy(name, data if isinstance(data, bytes) else data.encode(), declared, gives, notices)


def bad(name, data, *complaints, declared=BASE):
    return Messy(name, data if isinstance(data, bytes) else data.encode(), declared, None, (),
                 complaints)


TWO = {"1-left": (200.25, 100.5, 3.125), "1-right": (201.25, 100.75, 3.25)}
PLAIN = "1-left,100.500,200.250,3.125,edge\n1-right,100.750,201.250,3.250,edge\n"
SEMI = "1-left;100,500;200,250;3,125;edge\n1-right;100,750;201,250;3,250;edge\n"
XML = ('<?xml version="1.0"?><LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2">'
       '<Units><Metric linearUnit="meter"/></Units><CgPoints>{}</CgPoints></LandXML>')
LXML_TWO = ('<CgPoint name="1-left">100.5 200.25 3.125</CgPoint>\n'
            '<CgPoint name="1-right">100.75 201.25 3.25</CgPoint>')

CORPUS = [
    # How lines and cells are written.
    good("plain", PLAIN, TWO),
    good("penzd", "1-left,200.25,100.5,3.125,x\n1-right,201.25,100.75,3.25,x\n", TWO,
         declared={**BASE, "order": "PENZD"}),
    good("lower case order", PLAIN, TWO, declared={**BASE, "order": "pnezd"}),
    good("no description", "1-left,100.5,200.25,3.125\n1-right,100.75,201.25,3.25\n", TWO,
         declared=PNEZ),
    good("no point column", "100.5,200.25,3.125\n100.75,201.25,3.25\n",
         {"1": TWO["1-left"], "2": TWO["1-right"]}, "line numbers stand for them",
         declared={**BASE, "order": "NEZ"}),
    good("crlf", PLAIN.replace("\n", "\r\n"), TWO),
    good("mixed line ends", "1-left,100.500,200.250,3.125,edge\r\n1-right,100.750,201.250,3.250,edge\r",
         TWO),
    good("old line ends", PLAIN.replace("\n", "\r"), TWO),
    good("blank lines", "\n\n" + PLAIN.replace("\n", "\n\n"), TWO),
    good("tabs", PLAIN.replace(",", "\t"), TWO, "tabs"),
    good("spaces", PLAIN.replace(",", "   "), TWO, "spaces"),
    good("semicolon decimal comma", SEMI, TWO, "decimal commas"),
    good("semicolon decimal point", SEMI.replace(",", "."), TWO, "semicolons"),
    good("tabs decimal comma", SEMI.replace(";", "\t"), TWO, "decimal commas"),
    good("spaces around cells", PLAIN.replace(",", " , "), TWO),
    good("quoted", '"1-left","100.500","200.250","3.125","edge, left"\n'
         '"1-right","100.750","201.250","3.250","edge"\n', TWO),
    good("quotes inside", '1-left,100.500,200.250,3.125,"the ""left"" one"\n'
         "1-right,100.750,201.250,3.250,edge\n", TWO),
    good("trailing text column", PLAIN.replace("edge\n", "edge,wet\n"), TWO, "not used"),
    good("trailing empty columns", PLAIN.replace("\n", ",,\n"), TWO),
    good("description missing", "1-left,100.5,200.25,3.125\n1-right,100.75,201.25,3.25,edge\n", TWO),
    good("commas in the note", "1-left,100.5,200.25,3.125,edge, left, wet\n"
         "1-right,100.75,201.25,3.25,edge\n", TWO, "not used"),
    good("exponent", "1-left,1.005e2,200.25,3.125,x\n1-right,100.75,2.0125E+02,3.25,x\n", TWO),
    good("plus sign", PLAIN.replace("1-left,", "1-left,+"), TWO),
    good("negative", "1-left,-100.5,-200.25,-3.125,x\n", {"1-left": (-200.25, -100.5, -3.125)}),
    good("comments", "# shot by hand\n" + PLAIN, TWO),
    good("row commented out", PLAIN + "#1-X,100.0,200.0,3.0,edge\n", TWO, "left out as comments"),
    good("ids stay text", "001,1,2,3,x\nNA,4,5,6,x\n", {"001": (2, 1, 3), "NA": (5, 4, 6)}),
    # Encodings.
    good("byte order mark", b"\xef\xbb\xbf" + PLAIN.encode(), TWO),
    good("utf-16", PLAIN.encode("utf-16"), TWO, "UTF-16"),
    good("utf-16 big end first", b"\xfe\xff" + PLAIN.encode("utf-16-be"), TWO, "UTF-16"),
    good("cp1252", PLAIN.replace("edge", "Löffel").encode("cp1252"), TWO, "cp1252"),
    good("utf-8 accents", PLAIN.replace("edge", "Löffel"), TWO),
    # Headers.
    good("header", "Point,Northing,Easting,Elevation,Code\n" + PLAIN, TWO, declared=HEADER),
    good("header in another order",
         "Easting;Northing;Point ID;H\n200,25;100,5;1-left;3,125\n201,25;100,75;1-right;3,25\n", TWO,
         "decimal commas", declared=HEADER),
    good("header with units", "pt (id),northing (m),easting (m),elev [m]\n"
         "1-left,100.5,200.25,3.125\n1-right,100.75,201.25,3.25\n", TWO, declared=HEADER),
    good("header and job line", "Job: yard 7\n\nName,N,E,Z,Note\n" + PLAIN, TWO, "Job: yard 7",
         declared=HEADER),
    good("header agrees with order", "P,Northing,Easting,Elevation,Code\n" + PLAIN, TWO),
    good("header in another language", "Auftrag;7\nName;Rechts;Hoch;Höhe\n1-left;200,25;100,5;3,125\n"
         "1-right;201,25;100,75;3,25\n", TWO, "decimal commas", "Auftrag", declared=HEADER),
    good("header in words nobody knows", "Auftrag;7\nNimi;Itään;Pohjoiseen;Ylös\n"
         "1-left;200,25;100,5;3,125\n1-right;201,25;100,75;3,25\n", TWO, "decimal commas",
         "header in other words", "Auftrag", declared={**BASE, "order": "PENZ"}),
    good("date and time apart", "Pt,N,E,Z,Date,Time\n1-left,100.5,200.25,3.125,2031-05-04,09:30:00\n"
         "1-right,100.75,201.25,3.25,2031-05-04,09:30:20\n", TWO, declared=HEADER),
    bad("a first row that is no header", PLAIN.replace("100.500", "NaN").replace(
        "200.250", "NaN").replace("3.125", "NaN"), "line 1", "column north"),
    bad("swapped header names", "Point,Easting,Northing,Elevation,Code\n" + PLAIN,
        "line 1", "what was declared: point, north, east"),
    bad("header x and y", "Point,X,Y,Z\n1-left,1,2,3\n", "column north", "column east",
        declared=HEADER),
    bad("header twice", "Point,N,Northing,E,Z\n1,1,2,3,4\n", "column north", "two columns",
        declared=HEADER),
    bad("header in feet", "Point,Northing (ft),Easting (ft),Elevation (ft)\n1,1,2,3\n",
        "(ft) in the header", declared=HEADER),
    bad("no header, no order", PLAIN, "--order", declared=HEADER),
    bad("header only", "Point,Northing,Easting,Elevation\n", "found", declared=HEADER),
    # Lines that are no rows.
    good("job line and footer", "Job;yard\n" + SEMI + "End of file\n", TWO, "decimal commas",
         "Job;yard", "End of file"),
    good("job line as wide as a row", "Job,,,,\n" + PLAIN, TWO, "Job,,,,"),
    good("text in the middle", PLAIN.replace("\n1-right", "\n--- second round ---\n1-right"), TWO,
         "second round"),
    bad("half a row at the end", PLAIN + "2-left,100.9,20", "line 3", "5 cells"),
    bad("last number cut", "1-left,100.500,200.250,3.125\n1-right,100.750,201.250,3.2",
        "still being written", declared=PNEZ),
    good("no last line end", PLAIN.rstrip("\n"), TWO, "check that the file is whole"),
    bad("torn between two delimiters", "1-left;100,5000200,250,3,125;edge\n", "column point",
        "delimiter"),
    bad("row too long", PLAIN + "2-left,100,900,200.250,3.125,edge\n", "line 3", "5 cells"),
    bad("undeclared number column", PLAIN.replace("edge\n", "edge,0.015\n"),
        "beyond the 5 columns declared"),
    bad("unclosed quote", PLAIN + '"2-left,100.9,200.9,3.1,edge\n', "line 3", "quote"),
    # Cells that are no numbers.
    bad("letter O", PLAIN.replace("100.750", "1O0.750"), "line 2", "column north", '"1O0.750"',
        "letter O"),
    bad("letter l", PLAIN.replace("201.250", "20l.250"), "line 2", "column east", "letter l"),
    bad("nan", PLAIN.replace("3.250", "NaN"), "line 2", "column up", "finite"),
    bad("infinite", PLAIN.replace("3.250", "inf"), "line 2", "column up", "finite"),
    bad("empty height", PLAIN.replace("3.250", ""), "line 2", "column up", "nothing"),
    bad("star for no height", PLAIN.replace("3.250", "***"), "line 2", "no value"),
    bad("thousands marks", SEMI.replace("100,750", "1.100,750"), "line 2", "thousands"),
    bad("unit in the cell", PLAIN.replace("3.250", "3.250m"), "line 2", "unit"),
    bad("spreadsheet error", PLAIN.replace("3.250", "#REF!"), "line 2", "spreadsheet"),
    bad("typographic minus", PLAIN.replace("3.250", "\u22123.250"), "line 2", "hyphen"),
    bad("two decimal points", PLAIN.replace("3.250", "3.2.50"), "line 2", "column up"),
    bad("far beyond any site", PLAIN.replace("100.750", "1e12"), "line 2", "column north"),
    bad("no point id", PLAIN.replace("1-right,", ","), "line 2", "column point"),
    bad("several at once", "1,1,2,3,a\n" + PLAIN.replace("3.125", "x").replace("3.250", "y"),
        "line 2", "line 3"),
    # Whole files.
    bad("empty", b"", "empty file"),
    bad("only blank", b"\n \n", "empty file"),
    bad("only comments", b"# nothing\n", "only comments"),
    bad("binary", bytes(range(256)) * 4, "binary"),
    bad("nothing but text", "to whom it may concern,\nplease find attached\n", "rows of"),
    bad("another delimiter", PLAIN.replace(",", "|"), "commas, semicolons"),
    bad("two ways to read", "1;2;3;4\n5;6;7;8,5;\n1;2;3;4.5\n", "line", declared=PNEZ),
    # Units, heights, grids.
    good("international feet", "1,1000,2000,10,x\n", {"1": (609.6, 304.8, 3.048)},
         declared={**BASE, "unit": "ft-int"}),
    good("us survey feet", "1,3937,7874,39.37,x\n", {"1": (2400.0, 1200.0, 12.0)},
         declared={**BASE, "unit": "ft-us"}),
    good("millimetres", "1,1000,2000,10,x\n", {"1": (2.0, 1.0, 0.01)},
         declared={**BASE, "unit": "mm"}),
    good("pole taken off", PLAIN, {k: (e, n, u - 1.5) for k, (e, n, u) in TWO.items()},
         declared={**BASE, "pole": 1.5}),
    good("pole in feet", "1,1000,2000,10,x\n", {"1": (609.6, 304.8, 3.048 - 0.6096)},
         declared={**BASE, "unit": "ft-int", "pole": 2.0}),
    good("pole by column", "id,n,e,z,pole height\n1,1,2,3,1.5\n2,1,2,3,2\n",
         {"1": (2, 1, 1.5), "2": (2, 1, 1.0)}, declared={**HEADER, "pole": "column"}),
    bad("pole column missing", "id,n,e,z\n1,1,2,3\n", "column target_height",
        declared={**HEADER, "pole": "column"}),
    # LandXML.
    good("landxml", XML.format(LXML_TWO), TWO, declared=HEADER),
    good("landxml code and reference", XML.format(LXML_TWO + '<CgPoint name="9" pntRef="1-left"/>'),
         TWO, "refer", declared=HEADER),
    good("landxml us feet",
         XML.format('<CgPoint name="1">3937 7874 39.37</CgPoint>').replace(
             '<Metric linearUnit="meter"/>', '<Imperial linearUnit="USSurveyFoot"/>'),
         {"1": (2400.0, 1200.0, 12.0)}, declared={**HEADER, "unit": "ft-us"}),
    bad("landxml unit differs", XML.format(LXML_TWO), "linearUnit", "declared unit ft-us",
        declared={**HEADER, "unit": "ft-us"}),
    bad("landxml two numbers", XML.format('<CgPoint name="1">100.5 200.25</CgPoint>'),
        "2 numbers", declared=HEADER),
    bad("landxml letter O", XML.format('<CgPoint name="1">1O0.5 200.25 3</CgPoint>'), "letter O",
        declared=HEADER),
    bad("landxml broken off", XML.format(LXML_TWO)[:-40], "breaks off", declared=HEADER),
    bad("landxml entity",
        '<?xml version="1.0"?><!DOCTYPE L [<!ENTITY a "1">]><LandXML>&a;</LandXML>',
        "found a document type", declared=HEADER),
    bad("landxml document type", '<?xml version="1.0"?><!DOCTYPE L SYSTEM "l.dtd"><LandXML/>',
        "found a document type", declared=HEADER),
    bad("other xml", '<?xml version="1.0"?><gpx></gpx>', '"gpx"', declared=HEADER),
    bad("landxml as geographic", XML.format(LXML_TWO), "declared as geographic",
        declared={**HEADER, "frame": "geographic", "origin": (50.0, 7.0, 100.0)}),
    bad("landxml pole by column", XML.format(LXML_TWO), "--pole column",
        declared={**HEADER, "pole": "column"}),
    good("columns nobody asked for",
         "Point,Northing,Easting,Elevation,PDOP\n1-left,100.5,200.25,3.125,1.4\n"
         "1-right,100.75,201.25,3.25,1.6\n", TWO, '"PDOP"', declared=HEADER),
    bad("landxml without points", XML.format(""), "no CgPoint", declared=HEADER),
]
