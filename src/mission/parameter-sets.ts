// Parameter sets of clips as session descriptions write them: NAL units in base64 with commas between, as the value of
// sprop-parameter-sets for H.264 (RFC 6184, 8.1), or of sprop-vps, sprop-sps and sprop-pps for H.265 (RFC 7798, 7.1).

const names = /\bsprop-(?:parameter-sets|vps|sps|pps)=/g;
const base64 = /^(?:[A-Za-z0-9+/]{4})*(?:[A-Za-z0-9+/]{2}==|[A-Za-z0-9+/]{3}=|[A-Za-z0-9+/]{4})$/;

/** A parameter set's kind by its NAL unit header: H.264, 7.3.1; H.265, 7.3.1.2. `null` for any other unit. */
function kindOf(unit: Buffer): string | null {
  const [first, second] = [unit[0] ?? 0xff, unit[1] ?? 0];
  // Layer 0, temporal id 0.
  if (unit.length > 3 && first >= 0x40 && first <= 0x44 && (first & 1) === 0 && second === 1) {
    return `${['VPS', 'SPS', 'PPS'][(first - 0x40) >> 1]} of H.265`;
  }
  if (unit.length < 3 || (first & 0x80) !== 0 || (first & 0x60) === 0) return null;
  return (first & 0x1f) === 7 ? 'SPS of H.264' : (first & 0x1f) === 8 ? 'PPS of H.264' : null;
}

function unitsIn(text: string): string[] {
  return text
    .replaceAll(names, ' ')
    .split(/[\s,;]+/)
    .filter((part) => part !== '');
}

/** What is wrong with the text, to follow "expected …; found", or `null`. */
export function parameterSetProblem(text: string): string | null {
  const kinds = new Set<string>();
  for (const [n, part] of unitsIn(text).entries()) {
    if (!base64.test(part)) return `part ${n + 1} is not base64`;
    const kind = kindOf(Buffer.from(part, 'base64'));
    if (kind === null) return `part ${n + 1} is not a parameter set`;
    kinds.add(kind);
  }
  for (const [coding, needed] of [
    ['H.264', ['SPS', 'PPS']],
    ['H.265', ['VPS', 'SPS', 'PPS']],
  ] as const) {
    if (needed.every((kind) => kinds.has(`${kind} of ${coding}`))) return null;
  }
  return kinds.size === 0 ? 'none' : `only ${[...kinds].join(', ')}`;
}

/**
 * The parameter sets as a byte stream with start codes (annex B of both standards).
 *
 * @param text one without a `parameterSetProblem`
 */
export function parameterSetBytes(text: string): Buffer {
  const startCode = Buffer.from([0, 0, 0, 1]);
  return Buffer.concat(unitsIn(text).flatMap((part) => [startCode, Buffer.from(part, 'base64')]));
}
