//! How the pages look: a staff down the page, with what is told beside its marks.

/// For screen and paper, light and dark, from a phone's width on. Nothing is told by colour.
pub const STYLE: &str = r#"
:root{--ink:#1c2226;--soft:#59625f;--paper:#fcfcf8;color-scheme:light dark}
@media(prefers-color-scheme:dark){:root{--ink:#dcdfd8;--soft:#a3aba4;--paper:#15181a}}
*{box-sizing:border-box}
html{background:var(--paper);color:var(--ink);font:1.0625rem/1.5 Georgia,"Times New Roman",serif;
-webkit-text-size-adjust:100%}
body{margin:0 auto;max-width:58rem;padding:2rem 1rem 3rem}
h1{font-size:1.9rem;line-height:1.2;margin:0;font-weight:normal}
h2,h3{font-size:1rem;margin:0;line-height:1.5}
h3{font-weight:normal}
p,dl,figure,pre{margin:0 0 .5rem}
ol{list-style:none;margin:0;padding:0}
a{color:inherit}
code,pre,.mono{font-family:ui-monospace,"DejaVu Sans Mono",Consolas,monospace;font-size:.84em}
code,.mono,p,dt,dd,h1,h2,h3{overflow-wrap:anywhere}
pre{white-space:pre-wrap;overflow-wrap:anywhere;border-left:1px solid;padding-left:.8rem}
.pair{display:inline-block;max-width:100%}
var{font-style:italic;font-weight:bold}
svg{display:block;max-width:100%;height:auto}
.lead{font-size:1.15rem}
.soft{color:var(--soft)}
.hash span{display:inline-block;margin-right:.6em}
dl{display:grid;grid-template-columns:fit-content(9rem) minmax(0,1fr);column-gap:1rem}
dt{color:var(--soft)}
dd{margin:0}
.mark{display:grid;grid-template-columns:9.5rem minmax(0,1fr)}
.at{text-align:right;padding:0 2rem .5rem 0}
.what{border-left:3px solid;padding:0 0 .9rem 1.4rem;position:relative}
.what::before{content:"";position:absolute;top:.68rem;right:100%;margin-right:3px;width:1.5rem;border-top:2px solid}
.within>.what::before{width:.75rem;border-top-width:1px}
header .what::before{display:none}
.foot .what{padding-bottom:0}
@media(max-width:42rem){
body{padding:1rem .8rem 2rem}
.mark{display:block;border-left:3px solid;padding-left:1.2rem;position:relative}
.mark::before{content:"";position:absolute;top:.68rem;left:0;width:.9rem;border-top:2px solid}
.within.mark::before{width:.5rem;border-top-width:1px}
header .mark::before{display:none}
.at{text-align:left;padding:0}
.what{border:0;padding:0 0 .9rem}
.what::before{display:none}
}
@media print{
:root{--ink:#000;--soft:#333;--paper:#fff}
html{font-size:10pt}
body{max-width:none;padding:0}
.mark,figure,pre{break-inside:avoid}
svg{max-height:20cm}
}
"#;

/// Nothing is fetched, nothing runs.
pub const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'";
