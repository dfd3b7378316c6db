//! HTML pages: one file with all in it, that asks for nothing else and can be printed.

use super::svg;
use crate::diag::clean;

/// A text as it may stand between tags and in quotes: whatever a netlist or a file calls itself
/// is shown and never obeyed, and cannot turn the direction of what stands around it.
pub fn escaped(text: &str) -> String {
    svg::escaped(&clean::line(text))
}

/// What a page may load: nothing but what is in it.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; \
     img-src data:; media-src data: blob:";

/// The look that all pages share: type, colours in the light and in the dark, tables, print.
pub const STYLE: &str = include_str!("page.css");

/// A whole page. `title` is a plain text; `body` is HTML; styles and scripts are those of its
/// pieces, one after the other.
pub fn document(title: &str, styles: &[&str], body: &str, scripts: &[&str]) -> String {
    let styles: Vec<&str> = std::iter::once(STYLE)
        .chain(styles.iter().copied())
        .collect();
    paper(title, &styles, body, scripts)
}

/// A whole page with no look but its own, for what is printed.
pub fn paper(title: &str, styles: &[&str], body: &str, scripts: &[&str]) -> String {
    let title = escaped(title);
    let mut text = format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"{POLICY}\">\n\
         <link rel=\"icon\" href=\"data:,\">\n<title>{title}</title>\n<style>\n"
    );
    styles.iter().for_each(|style| text.push_str(style));
    text.push_str("</style>\n</head>\n<body>\n");
    text.push_str(body);
    for script in scripts {
        text.push_str("<script>\n");
        text.push_str(script);
        text.push_str("</script>\n");
    }
    text.push_str("</body>\n</html>\n");
    text
}

/// Bytes in base 64 (RFC 4648, section 4), as data addresses have them.
pub fn base64(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for part in bytes.chunks(3) {
        let byte = |k: usize| u32::from(part.get(k).copied().unwrap_or(0));
        let word = byte(0) << 16 | byte(1) << 8 | byte(2);
        for k in 0..4 {
            let digit = DIGITS[(word >> (18 - 6 * k) & 63) as usize];
            text.push(if k <= part.len() { digit as char } else { '=' });
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base_64_is_that_of_the_standard() {
        // RFC 4648, section 10.
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
        assert_eq!(base64(&[0xff, 0xfe, 0x3f, 0xbf]), "//4/vw==");
    }

    #[test]
    fn titles_are_text() {
        let page = document("a <script>alert(1)</script> & \"b\"", &[], "", &[]);
        assert!(
            page.contains("<title>a &lt;script&gt;alert(1)&lt;/script&gt; &amp; &quot;b&quot;")
        );
        assert!(!page.contains("<script>"));
    }
}
