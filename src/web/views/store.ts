// The document that the views show. The page on disk gets it once; a page that is fed replaces it as recordings come in, and every
// view follows.
import type { DocumentChanges, PageDocument } from '../../report/page-document.js';

export class DocumentStore {
  #document: PageDocument;
  readonly #listeners = new Set<() => void>();

  constructor(document: PageDocument) {
    this.#document = document;
  }

  get document(): PageDocument {
    return this.#document;
  }

  /** Shows another state of the campaign, whole; what the reader has filtered, sorted, opened and zoomed stays. */
  replace(document: PageDocument): void {
    this.#document = keepStrips(this.#document, document);
    for (const listener of this.#listeners) listener();
  }

  /** Shows what is counted anew; a file's strip stays until the next document. */
  change({ files, ...rest }: DocumentChanges): void {
    const changed = new Map(files.map((file) => [file.id, file]));
    const all = this.#document.files.map((file) => ({ ...file, ...changed.get(file.id) }));
    this.replace({ ...this.#document, ...rest, files: all });
  }

  /** @returns what ends it */
  subscribe(listener: () => void): () => void {
    this.#listeners.add(listener);
    return () => this.#listeners.delete(listener);
  }
}

/** The new document with the old one's strips where they say the same: what is drawn of them need not be drawn again. */
function keepStrips(before: PageDocument, { files, ...rest }: PageDocument): PageDocument {
  const known = new Map(before.files.map(({ id, strip }) => [id, strip]));
  return {
    ...rest,
    files: files.map((file) => {
      const old = known.get(file.id);
      const same =
        old?.code === file.strip?.code && old?.total === file.strip?.total && old?.grain === file.strip?.grain;
      return old && same ? { ...file, strip: old } : file;
    }),
  };
}
