/** `motepost stations http-password FILE`: the hash by which `collect --http` knows who may come in from elsewhere. */
import { existsSync } from 'node:fs'
import { newPassword } from './broker-config-secrets.js'
import { passwordHash } from './open-doors-guard.js'
import { writeWhole } from './write-whole.js'

export interface HttpPasswordOptions {
  /** Read the password from standard input. */
  readonly own?: boolean
  readonly force?: boolean
}

const fewestCharacters = 12
const mostCharacters = 200

/** Exit codes: 0 written, 1 it cannot be written, 2 wrong use. */
export async function httpPassword(file: string, { own, force }: HttpPasswordOptions): Promise<number> {
  if (existsSync(file) && !force) return told(`${file} is there already; --force writes over it`, 2)
  const password = own ? await readLine() : newPassword()
  if (password.length < fewestCharacters || password.length > mostCharacters)
    return told(`a password has ${fewestCharacters} to ${mostCharacters} characters`, 2)
  try {
    writeWhole(file, `${await passwordHash(password)}\n`)
  } catch (error) {
    return told(`${file} cannot be written: ${(error as Error).message}`, 1)
  }
  if (!own) process.stdout.write(`${password}\n`)
  process.stderr.write(
    own
      ? `${file} holds its hash.\n`
      : `This is shown once: note it. ${file} holds its hash; any user name goes with it.\n`,
  )
  return 0
}

function told(words: string, code: 1 | 2): number {
  process.stderr.write(words + '\n')
  return code
}

async function readLine(): Promise<string> {
  let text = ''
  for await (const part of process.stdin.setEncoding('utf8')) {
    text += String(part)
    if (text.includes('\n') || text.length > mostCharacters + 2) break
  }
  return text.split(/\r?\n/)[0]
}
