//! A small, strict checker of the markup that the page is made of: every element closed in its order, every attribute quoted, no bare
//! `<` or `&`. Stricter than HTML, which forgives much.

/// Elements that have no end.
const VOID: [&str; 4] = ["meta", "br", "hr", "wbr"];

/// What is wrong with the page; nothing if it is sound.
pub(crate) fn check(html: &str) -> Vec<String> {
    let mut faults = Vec::new();
    let mut open: Vec<&str> = Vec::new();
    let Some(mut rest) = html.strip_prefix("<!DOCTYPE html>") else { return vec!["no document type".to_owned()] };
    while let Some(at) = rest.find('<') {
        entities(&rest[..at], &mut faults);
        let Some(end) = rest[at..].find('>') else {
            faults.push(format!("a tag that does not end: {:.60}", &rest[at..]));
            break;
        };
        let tag = &rest[at + 1..at + end];
        rest = &rest[at + end + 1..];
        if let Some(name) = tag.strip_prefix('/') {
            let last = open.pop();
            if last != Some(name) {
                faults.push(format!("</{name}> closes {last:?}"));
            }
            continue;
        }
        let name = tag.split([' ', '\n']).next().unwrap_or_default();
        if name.is_empty() || !name.chars().all(|c| c.is_ascii_alphanumeric()) {
            faults.push(format!("no tag: <{tag:.60}>"));
        }
        if tag.matches('"').count() % 2 != 0 {
            faults.push(format!("quotes in <{tag:.80}>"));
        }
        for (attribute, value) in of_tag(tag) {
            if attribute.is_empty() || value.contains('<') {
                faults.push(format!("{attribute}={value:.60}"));
            }
            entities(value, &mut faults);
        }
        if name == "style" {
            // Its content is not markup.
            rest = rest.find("</style>").map_or("", |end| &rest[end..]);
        }
        if !VOID.contains(&name) {
            open.push(name);
        }
    }
    if !open.is_empty() || !rest.trim().is_empty() {
        faults.push(format!("left open: {open:?}, left over: {rest:.60}"));
    }
    faults
}

fn entities(text: &str, faults: &mut Vec<String>) {
    for after in text.split('&').skip(1) {
        let known = ["amp;", "lt;", "gt;", "quot;"].iter().any(|entity| after.starts_with(entity));
        if !known {
            faults.push(format!("a bare & before {after:.30}"));
        }
    }
}

/// Names and values of one tag.
fn of_tag(tag: &str) -> impl Iterator<Item = (&str, &str)> {
    let mut parts = tag.split('"');
    std::iter::from_fn(move || {
        let name = parts.next()?.trim();
        let value = parts.next()?;
        let name = name.strip_suffix('=').unwrap_or_default();
        Some((name.rsplit([' ', '\n']).next().unwrap_or_default(), value))
    })
}

/// All attributes of the page.
pub(crate) fn attributes(html: &str) -> Vec<(&str, &str)> {
    let body = html.split("</style>").flat_map(|part| part.split('<').skip(1));
    body.filter_map(|tag| tag.split('>').next()).filter(|tag| !tag.starts_with('/')).flat_map(of_tag).collect()
}
