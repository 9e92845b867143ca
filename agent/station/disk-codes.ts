/** What a disk that fails is told as; where it works again, all of them are over. */
export const diskCodes = ['disk-full', 'disk-read-only', 'disk-error', 'disk-denied', 'disk-missing'] as const
