/** Who may come in at the open doors, and how often: a password kept as its scrypt hash (RFC 7914), and a rate a client. */
import { createHmac, randomBytes, scrypt, timingSafeEqual } from 'node:crypto'

/** About 16 MB and 50 ms a guess. */
const cost = { N: 16_384, r: 8, p: 1 } as const
const hashBytes = 32

const scrypted = (password: string, salt: Buffer): Promise<Buffer> =>
  new Promise((resolve, reject) =>
    scrypt(password, salt, hashBytes, cost, (error, key) => (error ? reject(error) : resolve(key))),
  )

/** The line of a password file. */
export async function passwordHash(password: string, salt = randomBytes(16)): Promise<string> {
  const { N, r, p } = cost
  const key = await scrypted(password, salt)
  return `scrypt:${N}:${r}:${p}:${salt.toString('base64')}:${key.toString('base64')}`
}

export interface PasswordHash {
  readonly salt: Buffer
  readonly key: Buffer
}

const lineShape = /^scrypt:16384:8:1:([A-Za-z0-9+/]{22}==):([A-Za-z0-9+/]{43}=)$/

/** undefined where it is no line of ours. */
export function readPasswordHash(text: string): PasswordHash | undefined {
  const m = lineShape.exec(text.trim())
  return m ? { salt: Buffer.from(m[1], 'base64'), key: Buffer.from(m[2], 'base64') } : undefined
}

/** The password of HTTP Basic (RFC 7617); the user is not looked at. */
function passwordIn(authorization: string | undefined): string | undefined {
  const m = /^Basic ([A-Za-z0-9+/=]{1,400})$/i.exec(authorization ?? '')
  const [, ...password] = m ? Buffer.from(m[1], 'base64').toString('utf8').split(':') : []
  return password.length === 0 ? undefined : password.join(':')
}

/** Checks passwords; one that was right is known again without the slow hash, and not kept as it is. */
export class PasswordGate {
  private readonly secret = randomBytes(32)
  private known: Buffer | undefined
  private working: Promise<unknown> = Promise.resolve()

  constructor(private readonly hash: PasswordHash) {}

  /** It was right before. */
  knows(authorization: string | undefined): boolean {
    const password = passwordIn(authorization)
    return (
      password !== undefined && this.known !== undefined && timingSafeEqual(this.mark(password), this.known)
    )
  }

  private mark(password: string): Buffer {
    return createHmac('sha256', this.secret).update(password).digest()
  }

  async lets(authorization: string | undefined): Promise<boolean> {
    const password = passwordIn(authorization)
    if (password === undefined) return false
    if (this.knows(authorization)) return true
    // One guess at a time: a flood of them waits in a line, not in memory and threads.
    const before = this.working
    const guess = before.then(() => scrypted(password, this.hash.salt))
    this.working = guess.catch(() => undefined)
    if (!timingSafeEqual(await guess, this.hash.key)) return false
    this.known = this.mark(password)
    return true
  }
}

const mostClients = 1000

/** So many at once and then so many a second, for each client. The client that was heard longest ago is forgotten first. */
export class RateLimit {
  private readonly clients = new Map<string, { left: number; at: number }>()

  constructor(
    private readonly burst: number,
    private readonly perSecond: number,
    private readonly nowSeconds: () => number,
  ) {}

  /** Whether it would take one now; nothing is taken. */
  has(client: string): boolean {
    const known = this.clients.get(client)
    return !known || Math.min(this.burst, known.left + (this.nowSeconds() - known.at) * this.perSecond) >= 1
  }

  takes(client: string): boolean {
    const now = this.nowSeconds()
    const { left, at } = this.clients.get(client) ?? { left: this.burst, at: now }
    const filled = Math.min(this.burst, left + (now - at) * this.perSecond)
    this.clients.delete(client)
    this.clients.set(client, { left: filled < 1 ? filled : filled - 1, at: now })
    if (this.clients.size > mostClients) this.clients.delete(this.clients.keys().next().value!)
    return filled >= 1
  }
}
