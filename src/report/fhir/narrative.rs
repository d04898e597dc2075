//! Text of a bundle as XHTML.

use crate::report::note::Block;

/// Text as XHTML holds it: what has a meaning there escaped, what XML 1.0 cannot hold replaced.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\t' | '\n' | '\r' => out.push(' '),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// A `div` of paragraphs and lists.
pub fn div(blocks: &[Block]) -> String {
    let mut out = String::from("<div xmlns=\"http://www.w3.org/1999/xhtml\">");
    let mut in_list = false;
    for b in blocks {
        let (list, tag, text) = match b {
            Block::Point(t) => (true, "li", t),
            Block::Title(t) => (false, "h2", t),
            Block::Para(t) | Block::Sign(t) => (false, "p", t),
        };
        if list != in_list {
            out.push_str(if list { "<ul>" } else { "</ul>" });
            in_list = list;
        }
        out.push_str(&format!("<{tag}>{}</{tag}>", escape(text)));
    }
    if in_list {
        out.push_str("</ul>");
    }
    out.push_str("</div>");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_said_cannot_become_markup() {
        let said = Block::Point("<script>&\"quoted\"\u{1}".into());
        assert_eq!(
            div(&[Block::Para("a".into()), said]),
            "<div xmlns=\"http://www.w3.org/1999/xhtml\"><p>a</p>\
             <ul><li>&lt;script&gt;&amp;&quot;quoted&quot;\u{fffd}</li></ul></div>"
        );
    }
}
