// HTML from template literals that escape what is put into them: markup is only what stands in the source code.
// Characters that could hide or reorder text (control, direction, invisible ones) are spelled out instead of obeyed.
import { visibleText } from './visible-text.js';

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
