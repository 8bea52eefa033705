"""How wide a text is in print, before a word processor sets it.

Widths of Helvetica and Helvetica Bold in thousandths of the size, as their published font metrics
have them; Arial and its free substitutes share them.
"""

MM_OF_A_POINT = 25.4 / 72

# a letter that the metrics do not tell
UNKNOWN = 600


def _by_letter(of_width):
    return {letter: width for width, letters in of_width.items() for letter in letters}


UPRIGHT = _by_letter(
    {191: "'", 222: "ijl", 260: "|", 278: " !,./:;I[\\]ft", 333: "()-`r", 334: "{}", 355: '"'}
    | {389: "*", 469: "^", 500: "Jcksvxyz", 556: "0123456789#$?L_abdeghnopqu", 584: "+<=>~\u00d7"}
    | {611: "FTZ", 667: "&ABEKPSVXY", 722: "CDHNRUw", 778: "GOQ", 833: "Mm", 889: "%"}
    | {944: "W", 1015: "@"}
)

BOLD = _by_letter(
    {238: "'", 278: " ,./I\\ijl", 280: "|", 333: "!()-:;[]`ft", 389: "*r{}", 474: '"', 500: "z"}
    | {556: "0123456789#$J_aceksvxy", 584: "+<=>^~\u00d7", 611: "?FLTZbdghnopqu", 667: "EPSVXY"}
    | {722: "&ABCDHKNRU", 778: "GOQw", 833: "M", 889: "%m", 944: "W", 975: "@"}
)


def width_mm(text, points, *, bold=False):
    """Width of a text on one line in letters of this size, mm."""
    widths = BOLD if bold else UPRIGHT
    return sum(widths.get(letter, UNKNOWN) for letter in text) / 1000 * points * MM_OF_A_POINT


def lines_of(text, room_mm, points, *, bold=False):
    """How many lines a text takes in a column, broken between words."""
    space = width_mm(" ", points, bold=bold)
    lines, used = 1, 0.0
    for word in text.split():
        wide = width_mm(word, points, bold=bold)
        if used and used + space + wide > room_mm:
            lines, used = lines + 1, wide
        else:
            used += wide + (space if used else 0.0)
    return lines
