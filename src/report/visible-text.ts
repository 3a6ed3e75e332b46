// Text from the downlink or from strangers made fit for a page: characters that could hide or reorder text (control, direction,
// invisible ones) are spelled out instead of obeyed.

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

/** A link relative to the page, each step encoded; `null` for a path that leads nowhere or out of the folder. */
export function relativeLink(path: string | null): string | null {
  const steps = path?.split('/') ?? [];
  if (steps.length === 0 || steps.some((step) => ['', '.', '..'].includes(step))) return null;
  return `./${steps.map((step) => encodeURIComponent(step.replace(/\p{Cs}/gu, '\ufffd'))).join('/')}`;
}
