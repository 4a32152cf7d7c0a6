"""How the report page looks: on a screen, on a phone (tables become blocks), on paper."""

STYLE = """
* { box-sizing: border-box }
html { -webkit-text-size-adjust: 100% }
body { font: 1rem/1.5 Georgia, "DejaVu Serif", serif; color: #1a1a1a; background: #fff; max-width: 60rem; margin: 0 auto; padding: 1rem;
overflow-wrap: anywhere }
h1, h2, h3, table, nav, figcaption { font-family: "DejaVu Sans", Arial, sans-serif }
h1 { font-size: 1.5rem; line-height: 1.25; margin: 0 0 .5rem }
h2 { font-size: 1.15rem; margin: 2rem 0 .6rem; padding-top: .5rem; border-top: 3px solid #08519c }
h3 { font-size: 1rem; margin: 1.1rem 0 .2rem }
p { margin: 0 0 .6rem } a { color: #08519c } .lead, figcaption, caption { color: #444 }
nav ul { display: flex; flex-wrap: wrap; gap: .2rem 1.2rem; list-style: none; padding: 0; margin: 0 } nav { font-size: .9rem }
nav a { display: inline-block; padding: .2rem 0 }
ul { padding-left: 1.2rem; margin: 0 0 .6rem } li { margin: .15rem 0 }
table { border-collapse: collapse; width: 100%; font-size: .85rem; line-height: 1.35; margin: 0 0 1rem }
table { overflow-wrap: break-word } tbody th, td[data-label=kind], td[data-label=why], td[data-label="to [a]"] { overflow-wrap: anywhere }
tbody th { min-width: 4.5rem } .whole { white-space: nowrap }
caption { text-align: left; padding-bottom: .3rem }
th, td { text-align: left; vertical-align: top; padding: .35rem .8rem .35rem 0; border-bottom: 1px solid #ccc }
thead th { color: #444; font-weight: 600; border-bottom: 1px solid #1a1a1a }
.conflict th, .conflict td { background: #f7e6e6 }
figure { margin: 0 } figure svg { display: block; width: 100%; height: auto } svg.phone { display: none }
figcaption { font-size: .85rem }
article { max-width: 46rem }
footer { margin-top: 2rem; padding-top: .6rem; border-top: 3px solid #08519c } .remark { font-weight: 700 }
#assumptions ~ ul { font-size: .85rem }
@media screen and (max-width: 40rem) {
svg.wide { display: none } svg.phone { display: block }
table, tbody, tr, th, td, caption { display: block } thead { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%) }
tr { border-bottom: 1px solid #999; padding: .4rem 0 } th, td { border: 0; padding: .05rem 0 }
td { display: grid; grid-template-columns: 8.5rem minmax(0, 1fr); gap: .6rem } td::before { content: attr(data-label); color: #444 }
}
@media print {
@page { size: A4; margin: 14mm }
body { font-size: 9.5pt; max-width: none; padding: 0 } nav { display: none } a { color: inherit; text-decoration: none }
h2, h3, caption { break-after: avoid } tr, article, figure, li { break-inside: avoid } .conflict th, .conflict td { print-color-adjust: exact;
-webkit-print-color-adjust: exact }
article { max-width: none } h2 { margin-top: 1.2rem } #so-far ~ table { break-inside: avoid }
}
"""
