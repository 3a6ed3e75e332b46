// Tables of the page: a caption, column headings with scope, a heading cell in each row, and room to scroll sideways.
import { type Html, type HtmlValue, html } from './html-text.js';

export type HtmlColumn<Row> = {
  readonly title: string;
  readonly cell: (row: Row) => HtmlValue;
  /** `number`: to the right, digits of one width. `heading`: names the row. `words`: sentences. `code`: may break anywhere. */
  readonly kind?: 'number' | 'heading' | 'words' | 'code';
};

/** `id` names the table within the page. */
export function htmlTable<Row>(
  id: string,
  caption: HtmlValue,
  columns: readonly HtmlColumn<Row>[],
  rows: readonly Row[],
): Html {
  const titles = columns.map(({ title, kind }) => html`<th scope="col"${kindClass(kind)}>${title}</th>`);
  const lines = rows.map((row) => {
    const cells = columns.map(({ cell, kind }) =>
      kind === 'heading' ? html`<th scope="row">${cell(row)}</th>` : html`<td${kindClass(kind)}>${cell(row)}</td>`,
    );
    return html`<tr>${cells}</tr>\n`;
  });
  return html`<div class="scroll" role="region" aria-labelledby="${id}" tabindex="0"><table><caption id="${id}"><div>${caption}</div></caption>
<thead><tr>${titles}</tr></thead>
<tbody>
${lines}</tbody></table></div>`;
}

function kindClass(kind: HtmlColumn<unknown>['kind']): Html | null {
  if (kind === 'number') return html` class="n"`;
  return kind === 'words' || kind === 'code' ? html` class="${kind}"` : null;
}
