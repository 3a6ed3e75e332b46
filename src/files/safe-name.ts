// Turns a downlinked, untrusted file name into one path component that every usual file system takes.
// Forbidden characters and device names: Microsoft's published naming rules for Windows files; NFC: Unicode annex 15;
// bidirectional controls: Unicode annex 9.

/** Longest result in bytes of UTF-8; file systems allow 255, output folders add suffixes. */
const longestBytes = 120;

// An extension: the last dot and up to 16 characters without a dot or a space.
const extensionPattern = /\.[^.\s]{1,16}$/u;
const devicePattern = /^(?:con|prn|aux|nul|clock\$|conin\$|conout\$|com[0-9¹²³]|lpt[0-9¹²³])\s*(?:\.|$)/iu;

/**
 * One safe path component made of `name`: its last folder component, without separators, controls, invisible
 * characters, device names or a hidden file's dot, in NFC, at most 120 bytes of UTF-8 with the extension kept.
 *
 * @param fallback used where nothing of `name` is left; made safe too
 * @returns never empty; `safeName(safeName(x))` is `safeName(x)`
 */
export function safeName(name: string | undefined, fallback: string): string {
  return lastComponent(name ?? '') || lastComponent(fallback) || 'file';
}

/**
 * Gives each key a name no other key has, also on file systems that ignore case: ` (2)`, ` (3)` go before the extension.
 *
 * @param wanted keys are unique; names as `safeName` returns them
 * @returns the same whatever the order of `wanted`: the smaller key keeps the name
 */
export function uniqueNames(wanted: readonly { readonly key: string; readonly name: string }[]): Map<string, string> {
  const inOrder = [...wanted].sort((a, b) => compare(a.key, b.key) || compare(a.name, b.name));
  const taken = new Set<string>();
  const lastNumber = new Map<string, number>();
  const result = new Map<string, string>();
  for (const { key, name } of inOrder) {
    const base = folded(name);
    let candidate = name;
    let number = lastNumber.get(base) ?? 1;
    while (taken.has(folded(candidate))) candidate = withinLength(name, ` (${++number})`);
    lastNumber.set(base, number);
    taken.add(folded(candidate));
    result.set(key, candidate);
  }
  return result;
}

function lastComponent(path: string): string {
  const components = path.split(/[/\\]/);
  return components.map(cleaned).findLast((component) => component !== '') ?? '';
}

function cleaned(component: string): string {
  const visible = component
    .replace(/[\p{Cc}\p{Cf}\p{Cs}\p{Zl}\p{Zp}]/gu, '') // controls, bidi and zero-width characters, lone surrogates
    .normalize('NFC')
    .replace(/[<>:"|?*/\\]/g, '_')
    .replace(/^[.\s]+|[.\s]+$/gu, '');
  // Again after the cut, which may leave a bare device name where spaces followed it.
  return withoutDevice(withinLength(withoutDevice(visible), ''));
}

function withoutDevice(name: string): string {
  return devicePattern.test(name) ? `_${name}` : name;
}

/** Puts `suffix` before the extension and cuts the stem, between code points, until all fits. */
function withinLength(name: string, suffix: string): string {
  const extension = extensionPattern.exec(name)?.[0] ?? '';
  const stem = name.slice(0, name.length - extension.length);
  const room = longestBytes - Buffer.byteLength(suffix + extension);
  if (Buffer.byteLength(stem) <= room) return stem + suffix + extension;
  let end = 0;
  let bytes = 0;
  for (const character of stem) {
    bytes += Buffer.byteLength(character);
    if (bytes > room) break;
    end += character.length;
  }
  return stem.slice(0, end).replace(/[.\s]+$/u, '') + suffix + extension;
}

function folded(name: string): string {
  return name.normalize('NFC').toUpperCase().toLowerCase().normalize('NFC');
}

function compare(a: string, b: string): number {
  return a < b ? -1 : a > b ? 1 : 0;
}
