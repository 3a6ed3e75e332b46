// Text from the downlink made fit for a terminal: no control characters, no escape codes, a known width in columns.
// Escape sequences after ECMA-48 (5.4, 5.6), widths after Unicode Standard Annex #11.

// A control sequence, a control string up to its terminator, or any other escape sequence.
const escapeCodes =
  /(?:\x1b\[|\x9b)[\x30-\x3f]*[\x20-\x2f]*[\x40-\x7e]|(?:\x1b[\]PX^_]|[\x90\x98\x9d-\x9f])[^\x07\x1b\x80-\x9f]*(?:\x07|\x1b\\|\x9c)|\x1b[\x20-\x2f]*[\x30-\x7e]/g;

// East_Asian_Width W and F, in rough blocks; regional indicators count one column each, so that a flag has two.
const wide =
  /[\u1100-\u115f\u2329\u232a\u2e80-\u303e\u3041-\u33ff\u3400-\u4dbf\u4e00-\ua4cf\ua960-\ua97f\uac00-\ud7a3\uf900-\ufaff\ufe10-\ufe19\ufe30-\ufe6f\uff01-\uff60\uffe0-\uffe6\u{16fe0}-\u{18d8f}\u{1aff0}-\u{1b2ff}\u{1f200}-\u{1f265}\u{20000}-\u{3fffd}]|(?![\u{1f1e6}-\u{1f1ff}])\p{Emoji_Presentation}/u;

/**
 * `text` on one line, without escape codes, control, direction and other invisible characters, at most `maxWidth`
 * columns wide: what is longer is cut and ends in `…`. A combining mark stays with its letter and takes no column; more
 * than four on one letter are dropped.
 */
export function plainText(text: string, maxWidth: number): string {
  const clean = text
    .normalize('NFC')
    .replace(escapeCodes, '')
    .replace(/[\t-\r\x85\u2028\u2029]+/g, ' ')
    .replace(/[\p{Cc}\p{Cf}]|[\ufe00-\ufe0f]/gu, '')
    .replace(/\p{Cs}/gu, '\ufffd')
    .replace(/(\p{M}{4})\p{M}+/gu, '$1')
    .replace(/^\p{M}/u, '\u25cc$&'); // would hang on whatever is printed before it
  if (textWidth(clean) <= maxWidth) return clean;
  let width = 0;
  let kept = '';
  for (const character of clean) {
    width += characterWidth(character);
    if (width > maxWidth - 1) break;
    kept += character;
  }
  return maxWidth < 1 ? '' : `${kept}…`;
}

/** Columns that `text`, which holds no control characters, takes on a terminal. */
export function textWidth(text: string): number {
  let width = 0;
  for (const character of text) width += characterWidth(character);
  return width;
}

function characterWidth(character: string): number {
  if (character < '\u0300') return 1;
  if (/[\p{Mn}\p{Me}]/u.test(character)) return 0;
  return wide.test(character) ? 2 : 1;
}
