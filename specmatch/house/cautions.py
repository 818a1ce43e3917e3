"""The cautions that every record, report and page carries in plain words."""

CAUTIONS = (
    "Colour identity is a screening check: it cannot prove what a liquid is, and says nothing about alcohol, "
    "allergens, gluten, contaminants or microbiology. A label, safety or legal release rests on the site's own "
    "procedures, licensed practice and local rules. Keep glass and chromed parts out of the open-bottle area where "
    "the site's glass policy says so, and discard the poured sample."
)
