//! Markup that cannot hold what a file name or a comment smuggles in: words become markup by [`Html::text`] only.

/// A piece of markup with balanced tags.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Html(String);

impl Html {
    /// Nothing.
    pub fn new() -> Self {
        Self::default()
    }

    /// Markup that stands in this program.
    pub fn fixed(markup: &'static str) -> Self {
        Self(markup.to_owned())
    }

    /// Figures and fixed words in a language of their own, that of styles or of JSON. What would end it early is left out:
    /// nothing of a file may be in it but figures.
    pub fn plain(text: &str) -> Self {
        Self(text.replace('<', ""))
    }

    /// Words. What means something in markup is escaped; what cannot be shown becomes a replacement character.
    pub fn text(words: &str) -> Self {
        let mut markup = String::with_capacity(words.len());
        escape(words, &mut markup);
        Self(markup)
    }

    /// An element with what stands inside. Values of attributes are escaped.
    pub fn element(tag: &'static str, attributes: &[(&'static str, &str)], inside: Self) -> Self {
        let mut markup = start(tag, attributes);
        markup.push_str(&inside.0);
        markup.push_str("</");
        markup.push_str(tag);
        markup.push('>');
        Self(markup)
    }

    /// An element that has no end.
    pub fn void(tag: &'static str, attributes: &[(&'static str, &str)]) -> Self {
        Self(start(tag, attributes))
    }

    /// An element with nothing but words inside.
    pub fn words(tag: &'static str, words: &str) -> Self {
        Self::element(tag, &[], Self::text(words))
    }

    /// Adds another piece.
    pub fn add(&mut self, other: Self) {
        self.0.push_str(&other.0);
    }

    /// Whether there is nothing.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// As text.
    pub fn into_string(self) -> String {
        self.0
    }
}

impl FromIterator<Html> for Html {
    fn from_iter<I: IntoIterator<Item = Html>>(pieces: I) -> Self {
        let mut all = Self::new();
        pieces.into_iter().for_each(|piece| all.add(piece));
        all
    }
}

fn start(tag: &str, attributes: &[(&'static str, &str)]) -> String {
    let mut markup = format!("<{tag}");
    for (name, value) in attributes {
        markup.push_str(&format!(" {name}=\""));
        escape(value, &mut markup);
        markup.push('"');
    }
    markup.push('>');
    markup
}

fn escape(words: &str, out: &mut String) {
    for letter in words.chars() {
        match letter {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\t' => out.push(letter),
            control if control.is_control() => out.push(char::REPLACEMENT_CHARACTER),
            _ => out.push(letter),
        }
    }
}

/// Where the cells of a column stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Column {
    /// Words.
    Words,
    /// Figures.
    Figures,
}

/// A table with a caption; the first cell of each row names the row.
#[derive(Clone, Debug)]
pub struct Grid {
    caption: String,
    heads: Vec<(String, Column)>,
    rows: Vec<Vec<Html>>,
}

impl Grid {
    /// A table without rows.
    pub fn new<S: Into<String>>(caption: &str, heads: impl IntoIterator<Item = (S, Column)>) -> Self {
        let heads = heads.into_iter().map(|(head, column)| (head.into(), column)).collect();
        Self { caption: caption.to_owned(), heads, rows: Vec::new() }
    }

    /// Adds a row of words and figures.
    pub fn row<S: AsRef<str>>(&mut self, cells: impl IntoIterator<Item = S>) {
        self.rows.push(cells.into_iter().map(|cell| Html::text(cell.as_ref())).collect());
    }

    /// Adds a row of markup.
    pub fn marked(&mut self, cells: Vec<Html>) {
        self.rows.push(cells);
    }

    /// The table, in a frame that scrolls where it is too wide; nothing without rows.
    pub fn html(self) -> Html {
        if self.rows.is_empty() {
            return Html::new();
        }
        let class = |column: Option<&(String, Column)>| match column {
            Some((_, Column::Figures)) => "n",
            _ => "w",
        };
        let heads = self
            .heads
            .iter()
            .map(|head| Html::element("th", &[("scope", "col"), ("class", class(Some(head)))], Html::text(&head.0)));
        let head = Html::element("thead", &[], Html::element("tr", &[], heads.collect()));
        let rows = self.rows.into_iter().map(|row| {
            let cells = row.into_iter().enumerate().map(|(place, cell)| match place {
                0 => Html::element("th", &[("scope", "row"), ("class", class(self.heads.first()))], cell),
                _ => Html::element("td", &[("class", class(self.heads.get(place)))], cell),
            });
            Html::element("tr", &[], cells.collect())
        });
        let body = Html::element("tbody", &[], rows.collect());
        let caption = Html::words("caption", &self.caption);
        let table = Html::element("table", &[], [caption, head, body].into_iter().collect());
        let frame = [("class", "wide"), ("role", "region"), ("aria-label", self.caption.as_str()), ("tabindex", "0")];
        Html::element("div", &frame, table)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_never_become_markup() {
        let text = Html::element("p", &[("title", "a\"><b onclick='x'>")], Html::text("<script>&\u{7}\u{1b}"));
        let shown = "<p title=\"a&quot;&gt;&lt;b onclick=&#39;x&#39;&gt;\">&lt;script&gt;&amp;\u{fffd}\u{fffd}</p>";
        assert_eq!(text.into_string(), shown);
    }

    #[test]
    fn tables_name_their_rows_and_columns() {
        let mut grid = Grid::new("What", [("a", Column::Words), ("b", Column::Figures)]);
        grid.row(["x", "1"]);
        let html = grid.html().into_string();
        for part in
            ["<caption>What</caption>", "<th scope=\"col\" class=\"n\">b</th>", "<th scope=\"row\" class=\"w\">x</th>"]
        {
            assert!(html.contains(part), "{html}");
        }
        assert!(Grid::new("None", [("a", Column::Words)]).html().is_empty());
    }
}
