// HTML from template literals that escape what is put into them: markup is only what stands in the source code.
// Characters that could hide or reorder text (control, direction, invisible ones) are spelled out instead of obeyed.

/** Markup that is known to be safe. Only `html` and `trustedHtml` make it. */
export class Html {
  readonly markup: string;

  constructor(markup: string) {
    this.markup = markup;
  }
}

export type HtmlValue = Html | string | number | null | readonly HtmlValue[];

/** Markup with every value escaped, in content and in quoted attributes; `Html` goes in as it is, lists joined, `null` as nothing. */
export function html(parts: TemplateStringsArray, ...values: HtmlValue[]): Html {
  return new Html(parts.map((part, index) => part + markupOf(values[index] ?? null)).join(''));
}

/** Markup from our own source code; never from data. */
export function trustedHtml(markup: string): Html {
  return new Html(markup);
}

/**
 * `text` with every character that shows nothing or changes the direction written as `⟨U+202E⟩`; tab and line feed,
 * and the joiners that some scripts need, stay.
 */
export function visibleText(text: string): string {
  return text
    .replace(/\p{Cs}/gu, '\ufffd')
    .replace(/(?![\t\n\u200c\u200d])[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]/gu, (character) => {
      const code = character.codePointAt(0)!.toString(16).toUpperCase().padStart(4, '0');
      return `⟨U+${code}⟩`;
    });
}

const entities: Readonly<Record<string, string>> = {
  '&': '&amp;',
  '<': '&lt;',
  '>': '&gt;',
  '"': '&quot;',
  "'": '&#39;',
};

function markupOf(value: HtmlValue): string {
  if (value === null) return '';
  if (value instanceof Html) return value.markup;
  if (typeof value === 'object') return value.map(markupOf).join('');
  return visibleText(String(value)).replace(/[&<>"']/g, (character) => entities[character]!);
}
