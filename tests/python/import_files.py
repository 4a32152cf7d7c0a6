"""Twenty tables as people keep them (invented records), written as files by `make`: what a test takes in, and what must come of it."""

import csv
import io
from dataclasses import dataclass, field
from datetime import date, datetime


@dataclass
class Kept:
    """A file: sheet -> rows; how it is written; what comes of it."""

    sheets: dict
    ending: str = ".csv"
    delimiter: str = ","
    encoding: str = "utf-8"
    animals: int = 0
    molts: int = 0
    not_placed: int = 0
    options: dict = field(default_factory=dict)
    journal: tuple = ()  # rows that must be there, as dicts of some of their cells
    of_animals: tuple = ()


def make(kept, folder, name):
    """Writes the file; returns its path."""
    path = folder / f"{name}{kept.ending}"
    if kept.ending == ".csv":
        out = io.StringIO()
        csv.writer(out, delimiter=kept.delimiter).writerows([["" if cell is None else _text(cell) for cell in row] for row in next(iter(kept.sheets.values()))])
        path.write_bytes(out.getvalue().encode(kept.encoding))
        return path
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    for title, rows in kept.sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(list(row))
        for first, last in getattr(rows, "merged", ()):
            sheet.merge_cells(f"{first}:{last}")
    book.save(path)
    return path


class Rows(list):
    """Rows of a sheet with merged cells."""

    merged = ()


def _text(cell):
    return cell.isoformat() if isinstance(cell, (date, datetime)) else str(cell)


def merged_headings():
    rows = Rows([["", "", "Molts", "", "", "Size"], ["Name", "Kind", "1", "2", "3", "now (mm)"],
                 ["Fig", "Nhandu chromatus", date(2023, 4, 2), date(2023, 9, 20), date(2024, 3, 1), 48], ["Yew", "Nhandu chromatus", None, date(2024, 1, 9), None, 31]])
    rows.merged = (("C1", "E1"),)
    return rows


FILES = {
    "title_and_total": Kept({"": [["My animals 2024"], [], ["Name", "Species", "Sex", "Acquired", "Molt 1", "Molt 2", "Size now", "Notes"],
                                  ["Ada", "Brachypelma hamorii", "f?", "12.3.22", "1.5.22", "3.11.22", "5,5 cm", "calm"],
                                  ["Bo", "Lasiodora parahybana", "M", "May 2021", "4.6.21", "?", 12, "soon adult"], ["Total: 2"]]},
                            animals=2, molts=3, not_placed=1, of_animals=({"animal": "Ada", "sex": "probable female", "acquired": "2022-03-12"},),
                            journal=({"animal": "Ada", "event": "leg_span", "value": "5.5", "unit": "cm", "date": "2022-11-03"},)),
    "month_first": Kept({"": [["ID", "Common name", "Date of last molt", "DLS (in)"], ["A1", "curly hair", "10/25/2023", '2 1/2"'], ["A2", "curly hair", "3/4/2024", "1.75"],
                              ["A3", "chaco", "11/30/23", "¾"]]}, animals=3, molts=3,
                        journal=({"animal": "A2", "event": "molt", "date": "2024-03-04"}, {"animal": "A1", "value": "2.5", "unit": "in"},
                                 {"animal": "A3", "event": "leg_span", "value": "0.75"})),
    "order_by_option": Kept({"": [["name", "moult 1", "moult 2"], ["T1", "3/4/2023", "5/6/2023"], ["T2", "1/2/2023", "7/8/2023"]]}, animals=2, molts=4,
                            options={"date_order": "month_first"}, journal=({"animal": "T1", "date": "2023-03-04"},)),
    "semicolons_latin": Kept({"": [["Name", "Art", "Häutung 1", "Häutung 2", "Größe (cm)", "Bemerkungen"], ["Müsli", "Acanthoscurria geniculata", "14.02.2023", "März 2024", "9,5", "frißt gut"]]},
                             delimiter=";", encoding="cp1252", animals=1, molts=2,
                             journal=({"event": "molt", "date": "2024-03-01", "until": "2024-03-31"}, {"value": "9.5", "unit": "cm"})),
    "utf16_tabs": Kept({"": [["Spider", "shed", "legspan"], ["Ω one", "2024-01-05", "34mm"], ["β two", "2023-12-24", "1.5 in"]]}, delimiter="\t", encoding="utf-16",
                       animals=2, molts=2, journal=({"animal": "β two", "value": "1.5", "unit": "in"},)),
    "long_log": Kept({"": [["Date", "Animal", "Event", "Value", "Notes"], ["2024-05-01", "M1", "Molted", "L4", ""], ["2024-05-03", "M1", "Size", "3.2 cm", "on the lid"],
                           ["2024-05-20", "M2", "fed", "", "cricket"], ["2024-05-21", "M2", "refused", "", ""], ["2024-06-02", "M1", "rehoused", "20x20x30 cm", ""],
                           ["2024-06-09", "M2", "died", "", "bad molt"]]}, animals=2, molts=1,
                     journal=({"event": "molt", "value": "4"}, {"event": "enclosure", "value": "20x20x30", "unit": "cm"}, {"event": "fed", "note": "cricket"},
                              {"event": "leg_span", "value": "3.2", "unit": "cm", "note": "on the lid"}, {"event": "died", "animal": "M2"})),
    "log_in_sentences": Kept({"": [["when", "who", "what happened"], ["1 Mar 2024", "Kit", "molted, 45mm"], ["9 Mar 2024", "Kit", "ate"], ["20 Mar 2024", "Kit", "something about the heater"]]},
                             animals=1, molts=1, journal=({"event": "leg_span", "value": "45", "unit": "mm"}, {"event": "ate", "date": "2024-03-09"}),
                             of_animals=({"note": "2024-03-20: something about the heater"},)),
    "sheet_an_animal": Kept({"Ada": [["Name:", "Ada"], ["Species", "Heterometrus"], ["Sex", "F"], [], ["Date", "What"], [date(2023, 5, 1), "molt"], [date(2024, 2, 11), "molt"]],
                             "Bea": [["Species", "Heterometrus"], [], ["Date", "What", "Size (mm)"], [date(2023, 8, 1), "shed", 40], [date(2024, 4, 1), "fed", None]]},
                            ending=".xlsx", animals=2, molts=3, of_animals=({"animal": "Ada", "taxon": "Heterometrus", "sex": "female"}, {"animal": "Bea", "taxon": "Heterometrus"}),
                            journal=({"animal": "Bea", "event": "leg_span", "value": "40", "unit": "mm"},)),
    "merged_headings": Kept({"Room": merged_headings()}, ending=".xlsx", animals=2, molts=4,
                            journal=({"animal": "Fig", "event": "leg_span", "value": "48", "unit": "mm", "date": "2024-03-01"},)),
    "animals_across": Kept({"": [["Name", "Zoe", "Yan"], ["Species", "Hierodula", "Hierodula"], ["L3", "2024-01-03", "2024-01-05"], ["L4", "2024-01-20", "2024-01-24"],
                                 ["L5", "2024-02-09", ""]]}, animals=2, molts=5, journal=({"animal": "Yan", "event": "molt", "value": "4", "date": "2024-01-24"},)),
    "sections": Kept({"": [["Name", "Kind", "Last molt", "Size"], ["Spiderlings"], ["s1", "Tliltocatl albopilosus", "2024-03-01", "1.5cm"], ["s2", "Tliltocatl albopilosus", "2024-02-11", "1.2cm"],
                           ["Adults"], ["q1", "Tliltocatl albopilosus", "2022-08-01", "14cm"], ["q2", "Tliltocatl albopilosus", "2022-09-01", "15cm"]]}, animals=4, molts=4,
                     of_animals=({"animal": "q1", "section": "Adults"},)),
    "counts_for_sex": Kept({"": [["No.", "Genus", "Species", "Sex", "Hatched", "Price"], ["1", "Chromatopelma", "cyaneopubescens", "0.1", "2020", "60"], ["2", "Chromatopelma", "cyaneopubescens", "1.0.0", "late 2021", "45"],
                                 ["3", "Chromatopelma", "cyaneopubescens", "0.0.1", "early May 2023", ""]]}, animals=3,
                           of_animals=({"animal": "1", "taxon": "Chromatopelma cyaneopubescens", "sex": "female", "hatched": "2020-12-31", "Price": "60"},
                                       {"animal": "2", "sex": "male"}, {"animal": "3", "sex": "unknown", "hatched": "2023-05-10"})),
    "numbers_for_dates": Kept({"": [["Name", "Molt", "Weight (g)"], ["H1", 45292, 3.4], ["H2", 45000, 12]]}, ending=".xlsx", animals=2, molts=2,
                              journal=({"animal": "H1", "event": "molt", "date": "2024-01-01"}, {"event": "mass", "value": "3.4", "unit": "g"})),
    "several_in_a_cell": Kept({"": [["Animal", "Molts"], ["C7", "2023-01-05; 2023-06-30; 2024-02-01"], ["C8", "5 Mar 2023, not sure"]]}, animals=2, molts=3, not_placed=1),
    "twice_the_same_name": Kept({"": [["Name", "Molt"], ["Pip", "2024-01-01"], ["Pip", "2024-02-01"], ["", "2024-03-01"]]}, animals=3, molts=3),
    "asked": Kept({"": [["Rufname", "Letztes Mal", "KL", "Preis"], ["Uma", "2024-04-05", "21", "30"]]}, animals=1, molts=1,
                  options={"map": {"Rufname": "animal", "Letztes Mal": "molt", "KL": "body_length mm", "Preis": "keep"}},
                  journal=({"event": "body_length", "value": "21", "unit": "mm"},), of_animals=({"Preis": "30"},)),
    "meals_and_boxes": Kept({"": [["Name", "Last fed", "Refusing since", "Enclosure", "Rehoused", "Temp"], ["V1", "2024-05-01", "", "20x20x30", "2023-09-01", "26"], ["V2", "1 May 2024", "9 May 2024", "big jar", "", "room"]]},
                            animals=2, not_placed=1, journal=({"animal": "V1", "event": "ate"}, {"animal": "V2", "event": "refused", "date": "2024-05-09"},
                                                              {"animal": "V1", "event": "enclosure", "value": "20x20x30", "unit": "cm", "date": "2023-09-01"}),
                            of_animals=({"animal": "V2", "Enclosure": "big jar"},)),
    "between_days": Kept({"": [["Tag", "Molted", "Instar now"], ["N1", "3-5 March 2024", "6"], ["N2", "2024-02-01..2024-02-14", ""], ["N3", "mid April 2024", "i4"]]}, animals=3, molts=3,
                         journal=({"animal": "N1", "date": "2024-03-03", "until": "2024-03-05", "value": "6"}, {"animal": "N2", "until": "2024-02-14"}, {"animal": "N3", "date": "2024-04-11", "until": "2024-04-20", "value": "4"})),
    "skins_and_ranges": Kept({"": [["Name", "Molt 1", "Size 1 (cm)", "Molt 2", "Size 2 (cm)", "Skin"], ["R1", "2023-03-01", "2-3", "2023-10-01", "4", ""], ["R2", "", "5", "2024-01-01", "6", "4.4 cm"]]},
                             animals=2, molts=3, not_placed=1, journal=({"animal": "R1", "event": "leg_span", "value": "2.5", "note": "the middle of 2-3"},
                                                                       {"animal": "R2", "event": "leg_span", "on": "skin", "value": "4.4"})),
    "two_kinds_of_sheet": Kept({"List": [["Name", "Species", "Shelf"], ["O1", "Damon diadema", "A"], ["O2", "Damon diadema", "B"]],
                                "Log": [["Date", "Name", "Molt", "Comments"], [date(2024, 1, 2), "O1", "x", "all legs"], [date(2024, 3, 3), "O2", "x", None]]},
                               ending=".xlsx", animals=2, molts=2, of_animals=({"animal": "O1", "Shelf": "A"},), journal=({"animal": "O1", "event": "molt", "note": "all legs"},)),
}
