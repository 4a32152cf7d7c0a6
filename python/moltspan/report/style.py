"""How the report page looks: on a screen, on a phone (tables become blocks), in the dark, on paper."""

LIGHT = {"ink": "#1a1a1a", "soft": "#555", "ground": "#fff", "link": "#0b4a8f", "line": "#ccc", "warn": "#f7e6e6", "guide": "#e3e3e3", "today": "#a33a00",
         "b1": "#c9dcef", "b2": "#7fb0dc", "b3": "#1f66ad", "sign": "#a33a00", "hold": "#8a6d00"}
DARK = {"ink": "#e8e6e3", "soft": "#b5b1ab", "ground": "#16181a", "link": "#8ab8ec", "line": "#44484c", "warn": "#3d2323", "guide": "#2e3236", "today": "#f0915f",
        "b1": "#233c57", "b2": "#3f73a8", "b3": "#9ccaf5", "sign": "#f0915f", "hold": "#cfae3e"}
LETTERS, GROUNDS = ("ink", "soft", "link"), ("ground", "warn")


def _colors(palette):
    return ";".join(f"--{name}:{color}" for name, color in palette.items())


STYLE = f"""
:root {{ color-scheme: light; {_colors(LIGHT)} }}
@media screen and (prefers-color-scheme: dark) {{ :root:not([data-theme=light]) {{ color-scheme: dark; {_colors(DARK)} }} }}
@media screen {{ :root[data-theme=dark] {{ color-scheme: dark; {_colors(DARK)} }} }}
""" + """
* { box-sizing: border-box }
[hidden] { display: none !important }
html { -webkit-text-size-adjust: 100%; background: var(--ground) }
body { font: 1rem/1.5 Georgia, "DejaVu Serif", serif; color: var(--ink); background: var(--ground); max-width: 62rem; margin: 0 auto; padding: 1rem;
overflow-wrap: anywhere }
h1, h2, h3, table, nav, summary, .tools, .cal, .axis { font-family: "DejaVu Sans", Arial, sans-serif }
h1 { font-size: 1.4rem; line-height: 1.25; margin: 0 0 .5rem }
h2 { font-size: 1.1rem; margin: 2rem 0 .6rem; padding-top: .5rem; border-top: 1px solid var(--ink) }
h3 { font-size: .95rem; margin: 1.1rem 0 .2rem }
p { margin: 0 0 .6rem } a { color: var(--link) } .lead, caption, .small { color: var(--soft) } .small { font-size: .85rem }
i { color: var(--soft); font-style: italic } .w { white-space: nowrap }
nav ul { display: flex; flex-wrap: wrap; gap: .1rem 1.2rem; list-style: none; padding: 0; margin: 0 } nav { font-size: .85rem }
nav a { display: inline-block; padding: .25rem 0 }
ul { padding-left: 1.2rem; margin: 0 0 .6rem } li { margin: .15rem 0 }
summary { cursor: pointer; font-size: .9rem; padding: .25rem 0 } summary h3 { display: inline; margin: 0 }
table { border-collapse: collapse; width: 100%; font-size: .85rem; line-height: 1.35; margin: 0 0 1rem; overflow-wrap: break-word }
td[data-label=kind], td[data-label="to [a]"] { min-width: 6.5rem } tbody th, td[data-label=kind], td[data-label=why], td[data-label="to [a]"] { overflow-wrap: anywhere }
tbody th { min-width: 4.5rem; font-weight: 600 }
caption { text-align: left; padding-bottom: .3rem }
th, td { text-align: left; vertical-align: top; padding: .35rem .8rem .35rem 0; border-bottom: 1px solid var(--line) }
thead th { color: var(--soft); font-weight: 600; border-bottom: 1px solid var(--ink) }
.conflict th, .conflict td { background: var(--warn) }
.lines { font-size: .95rem } .lines caption { position: absolute; clip-path: inset(50%); width: 1px; height: 1px; padding: 0; overflow: hidden } .lines th { width: 7rem; white-space: nowrap } .lines td { overflow-wrap: anywhere }
.tools { display: flex; flex-wrap: wrap; gap: .4rem .9rem; align-items: baseline; font-size: .8rem; margin: 1rem 0; padding: .5rem 0;
border-top: 1px solid var(--line); border-bottom: 1px solid var(--line) }
.tools label { max-width: 100% }
input, select, button { font: inherit; color: var(--ink); background: var(--ground); border: 1px solid var(--soft); border-radius: 2px; padding: .25rem .4rem; max-width: 100% }
:focus { outline: 2px solid var(--link); outline-offset: 2px }
.cal { list-style: none; margin: 0; padding: 0; font-size: .8rem }
.cal li { margin: 0; border-bottom: 1px solid var(--guide) } .cal a { display: grid; grid-template-columns: 5rem 9rem 1fr; gap: .5rem; align-items: center }
.cal a { text-decoration-color: transparent } .cal b { font-weight: 600; text-decoration: underline } .cal b, .cal i { overflow: hidden; white-space: nowrap; text-overflow: ellipsis }
.kept svg { max-width: 100%; height: auto }
.cal svg { display: block; width: 100%; height: 1.6em; overflow: visible }
.axis { position: relative; height: 1.5rem; margin-left: 15rem; font-size: .7rem; color: var(--soft) }
.axis span { position: absolute; top: 0; transform: translateX(-50%); white-space: nowrap } .axis .now { color: var(--ink) }
.b1 { fill: var(--b1) } .b2 { fill: var(--b2) } .b3 { fill: var(--b3) } .h { fill: var(--hold) }
.m, .l, .s, .st, .now, .dot { fill: none; vector-effect: non-scaling-stroke } .m { stroke: var(--ground); stroke-width: 2.5 } .l { stroke: var(--ink); stroke-width: 2 }
.s { stroke: var(--sign); stroke-width: 2.5 } path.st { stroke: var(--soft); stroke-width: 1.4 } path.now { stroke: var(--today); stroke-width: 1 }
.dot { stroke: var(--ink); stroke-width: 4.5; stroke-linecap: round }
article { position: relative; border-bottom: 1px solid var(--line); padding: .5rem 0 .3rem } article h3 { margin: 0; display: inline } .beware { color: var(--soft); font: .8rem "DejaVu Sans", Arial, sans-serif; white-space: nowrap } article p { margin: 0 0 .2rem; font-size: .92rem }
article::after { content: ""; display: block; clear: both }
.past { float: right; width: 18rem; height: 3.3rem; margin: 0 0 .3rem 1rem } .up { white-space: nowrap } .out { position: absolute; clip-path: inset(50%); width: 1px; height: 1px; overflow: hidden; white-space: nowrap }
footer { margin-top: 2rem; padding-top: .6rem; border-top: 1px solid var(--ink) } .remark { font-weight: 700 }
.back { position: fixed; right: .6rem; bottom: .4rem; margin: 0; padding: .1rem .5rem; background: var(--ground); border: 1px solid var(--line); font-size: .8rem }
@media screen and (max-width: 40rem) {
table, tbody, tr, th, td, caption { display: block } thead { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%) }
tr { border-bottom: 1px solid var(--line); padding: .4rem 0 } th, td { border: 0; padding: .05rem 0 }
td[data-label] { display: grid; grid-template-columns: 8.5rem minmax(0, 1fr); gap: .6rem } td[data-label]::before { content: attr(data-label); color: var(--soft) }
.cal a { grid-template-columns: 4.5rem 1fr } .cal i { display: none } .axis { margin-left: 5rem } .axis .t0, .axis .t1:nth-child(2) { display: none } .axis .now { transform: translateX(-75%) }
.past { float: none; display: block; margin: .2rem 0 } .lines th { width: auto }
}
@media print {
@page { size: A4; margin: 9mm 10mm }
body, h1, h2, h3, table, summary, .cal, .axis { font-family: "Arial Narrow", "Liberation Sans Narrow", "DejaVu Sans Condensed", Arial, sans-serif }
body { font-size: 7.2pt; line-height: 1.2; max-width: none; padding: 0 } nav, .tools, .back, .up, summary:not(:has(h3)) { display: none } a { color: inherit; text-decoration: none }
details::details-content { content-visibility: visible; height: auto } summary { list-style: none; padding: 0 }
h1 { font-size: 12pt } h2 { font-size: 9.5pt; margin: 2mm 0 .7mm; padding-top: .7mm } h3, summary h3 { font-size: 8pt; margin: .8mm 0 .2mm }
p, ul { margin: 0 0 .6mm } li { margin: 0 } .small { font-size: 6.6pt } table { font-size: 6.8pt; line-height: 1.16; margin: 0 0 1mm } th, td { padding: .3mm 1.5mm .3mm 0 }
caption { padding: 0 } tbody th { min-width: 12mm } td[data-label=kind] { min-width: 20mm } .lines { font-size: 7.6pt } .lines th { width: 20mm }
h2, h3, caption, .axis { break-after: avoid } tr, li { break-inside: avoid } .two { columns: 2; column-gap: 5mm; font-size: 6.5pt; line-height: 1.14; padding-left: 3mm }
.cal { font-size: 6.6pt } .cal a { grid-template-columns: 16mm 30mm 1fr; gap: 1mm } .cal svg { height: 2.5mm } .axis { margin-left: 48mm; height: 3mm; font-size: 6pt }
.cal svg, .cal path, .past path, .conflict th, .conflict td { print-color-adjust: exact; -webkit-print-color-adjust: exact }
.animals { columns: 2; column-gap: 5mm } article { padding: .4mm 0; font-size: 6.5pt; line-height: 1.13; orphans: 3; widows: 3 } article p, article details, article h3 { display: inline; font-size: 1em }
article h3 { font-size: 6.9pt } .beware { font: inherit; font-style: italic } article summary, .gone .past { display: none } .past { width: 26mm; height: 4.8mm; margin: 0 0 0 1.5mm } footer { margin-top: 1.5mm; padding-top: .7mm }
}
"""
