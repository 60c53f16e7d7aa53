"""The rates file to fill in: every entry with what it means, and no figure of ours."""

from __future__ import annotations

from texscan.plan import yard

MATERIAL = """\
# Rates for texscan plan. Take the first # of a line away and write your own figure behind the sign of equality. No
# price, pace or yield is given here: they are yours. Where you know a range, write [low, likely, high] instead of one
# number. Without this file the quantities stand without money.

# currency =                # as it is to be printed, in quotes
# decimals =                # of a sum; two if left out. Sums are rounded half up, line by line
# tax_percent =             # on the whole; leave out if your prices hold it
# contingency_percent =     # on labour and materials, before tax

# texture =                 # new texture, in quotes: broadcast-grit, grit-in-paint, texture-coating, moulded
# flatten =                 # old texture, in quotes: fill (up to the peaks), cut (down to the floors)

# [labour]
# hourly =                  # price of one hour of one person
# fixed_h =                 # hours of the whole job that no area tells: setting up, tests, clearing away
# h_per_fitting =           # hours to take off and bed in one fitting

# [pace]                    # what one person does in an hour; a task without pace is not counted
# wash =                    # m2/h
# mask =                    # m/h
# key =                     # m2/h, one pass
# sand_flat =               # m2/h, one pass
# fill =                    # m2/h
# coat =                    # m2/h, one coat
# texture =                 # m2/h

# [[paint]]                 # one such table a paint; what its data sheet says
# name =                    # in quotes
# coats =                   # names of the coats that it is for, as in your coats file, in quotes, in brackets
# pack_l =                  # litres of a kit; or of each component's pack, in brackets
# price =                   # of a kit; or of each component's pack, in brackets
# mix =                     # parts by volume, base first, in brackets; leave out for one component
# loss =                    # share of the paint that does not stay on the deck, below one
# source =                  # in quotes: data sheet, or user

# [[buy]]                   # one such table an item
# item =                    # in quotes: thinner, epoxy, filler powder, grit, texture coating, gelcoat, tape
# pack =                    # what it holds: kg of epoxy, filler powder and grit, m of tape, L of the others
# price =                   # of a pack

# [[disc]]                  # one such table a grit
# grit =                    # the P number
# m2_per_disc =             # area that one disc does in one pass
# diameter_mm =             # instead of m2_per_disc, with:
# times_own_area =          # area that one disc does in one pass, in areas of the disc
# l_per_disc =              # litres that one disc takes off, if you know it
# pack =                    # discs in a pack; one if left out
# price =                   # of a pack

# [[sum]]                   # what is paid as a whole: access, containment, waste
# name =                    # in quotes
# price =

# [materials]               # your own figure, or the data sheet's, in the place of one that is assumed;
#                             NAME = figure, or NAME = { value = figure, source = "data sheet" }
# loss_rolled =             # share, where a paint states none
# loss_sprayed =            # share
# filler_waste =            # share of the filler that is mixed and not left on the deck
# filler_per_epoxy =        # kg of filler per kg of mixed epoxy
# epoxy_density =           # kg/L, mixed
# filler_density =          # kg/L, true density of the particles
# grit_size =               # mm
# grit_cover =              # share of the area under grains
# grit_density =            # kg/m3, true density
# grit_in_hand =            # times what stays, for broadcasting in excess
# grit_sink =               # share of the space between the grains that the first sealing coat fills
# grit_per_paint =          # kg of grit per litre of paint, for grit-in-paint
# texture_coating_wet =     # um
# gelcoat_film =            # mm
# new_true_area =           # true over projected area of the new texture
# sand_flat_grit =          # P number
# sand_flat_passes =
# key_passes =
# tape_runs =               # times the edge is taped
# tape_waste =              # share
"""

TEMPLATE = MATERIAL + yard.TEMPLATE
